"""Do drops recur at one spacing? Then they are no water: something at the die or a wheel makes them.

A test on the last drops with a stated false rate. For a candidate period P (the distance of two drops, divided by 1 to 3) the drops
that lie on the lattice are counted; random drops lie on it with probability q = 2·tolerance / P each, so the count is binomial. The
p-value is multiplied by the number of candidates tried (Bonferroni) and must be below `FALSE_RATE`.
"""

from collections.abc import Sequence
from math import comb

import msgspec

WINDOW = 20
"""Drops looked at."""

FALSE_RATE = 5e-7
"""Per drop tested. A failing wipe that leaves 100 drops is then taken for a period in less than 1 of 1 000 such stretches."""

LEAST = 5
"""Drops that must lie on the lattice, at least."""


class Period(msgspec.Struct, frozen=True):
    """A spacing that recurs: metres, the drops on it, and the chance of random drops doing so."""

    period: float
    on_lattice: tuple[float, ...]
    chance: float


def tail(n: int, k: int, q: float) -> float:
    """Probability of `k` or more of `n` with probability `q` each."""
    return sum(comb(n, i) * q**i * (1 - q) ** (n - i) for i in range(k, n + 1))


def recurring(metres: Sequence[float], tolerance: float) -> Period | None:
    """The period of the last drops, or None. `metres` in order; `tolerance` (metres) is how well a place is known."""
    window = list(metres[-WINDOW:])
    n = len(window)
    if n < LEAST:
        return None
    newest = window[-1]
    candidates: list[float] = []
    for other in window[-9:-1]:
        distance = newest - other
        for parts in (1, 2, 3):
            period = distance / parts
            if period > 6 * tolerance:
                candidates.append(period)
    best: Period | None = None
    tried = max(1, len(candidates))
    for period in candidates:
        on = [newest]
        refined = period
        for metre in reversed(window[:-1]):
            turns = round((newest - metre) / refined)
            if turns >= 1 and abs(newest - metre - turns * refined) <= tolerance:
                on.append(metre)
                # a longer base line gives a better period
                refined = (newest - metre) / turns
        if len(on) < LEAST:
            continue
        q = min(1.0, 2 * tolerance / period)
        # two of the drops gave the lattice
        chance = tail(n - 2, len(on) - 2, q) * tried
        if chance < FALSE_RATE and (best is None or chance < best.chance):
            best = Period(refined, tuple(reversed(on)), chance)
    return best
