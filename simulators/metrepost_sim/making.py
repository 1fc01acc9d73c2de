"""Building blocks of scenarios: speed profiles, lumps, drops, at random but by seed."""

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from .flaws import Flaw
from .motion import SpeedPoint
from .scenario import Stop, WipeFailure

LIMIT = 0.06
"""Height (mm) over which a lump is one in the shipped rules."""
NORMAL_DROPS = 1.0
"""Drops per 100 m that a sound wipe leaves (common practice in size, no source)."""


def profile(speed: float, stops: Iterable[Stop], duration: float, slow_down: float = 12.0) -> tuple[SpeedPoint, ...]:
    """A steady profile at `speed` (m/min) with ramps of `slow_down` seconds about each stop (emergency: 2 s down)."""
    points = [SpeedPoint(0.0, speed)]
    for stop in sorted(stops, key=lambda s: s.at):
        down = 2.0 if stop.emergency else slow_down
        points += [SpeedPoint(stop.at, speed), SpeedPoint(stop.at + down, 0.0)]
        points += [SpeedPoint(stop.until, 0.0), SpeedPoint(stop.until + 2 * slow_down, speed)]
    points = [p for i, p in enumerate(points) if i == 0 or p.at > points[i - 1].at]
    return (*points, SpeedPoint(max(duration, points[-1].at + 1.0), points[-1].speed))


def drop(rng: np.random.Generator, metre: float) -> Flaw:
    """A drop as the air wipe leaves it: 2 to 25 mm long, 0.02 to 0.4 mm high, seen by one axis or both."""
    first = float(rng.uniform(0.8, 1.0))
    second = float(rng.uniform(0.3, 1.0)) if rng.random() < 0.4 else float(rng.uniform(0.0, 0.15))
    axes = (first, second) if rng.random() < 0.5 else (second, first)
    height = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4))))
    return Flaw("drop", metre, height, float(rng.uniform(0.002, 0.025)), 0.0, 90.0, "wipe", axes, 0.0)


def drops_between(rng: np.random.Generator, low: float, high: float, rate: float) -> list[Flaw]:
    """Drops at random on ``[low, high]`` metres, `rate` per 100 m."""
    count = int(rng.poisson(rate * max(0.0, high - low) / 100.0))
    return [drop(rng, float(m)) for m in np.sort(rng.uniform(low, high, count))]


def lump(rng: np.random.Generator, metre: float, born: str = "die", limit: float = LIMIT) -> Flaw:
    """A lump of the bars: 0.02 to 0.15 mm over the limit, 5 to 150 mm long, 15 to 360 degrees wide."""
    return Flaw(
        "lump",
        metre,
        limit + float(rng.uniform(0.02, 0.15)),
        float(rng.uniform(0.005, 0.150)),
        float(rng.uniform(0.0, 360.0)),
        float(rng.uniform(15.0, 360.0)),
        "after-hot" if born == "after-hot" else "die",
        None,
        float(np.clip(rng.normal(1.0, 0.05), 0.8, 1.2)),
    )


def recurring(metre: float, spacing: float, count: int, height: float = 0.12, length: float = 0.012) -> list[Flaw]:
    """Lumps born after the hot gauge at one spacing, as a roller with dirt on it prints them: they look like drops."""
    return [Flaw("lump", metre + n * spacing, height, length, 0.0, 60.0, "after-hot") for n in range(count)]


def failing_wipe(rng: np.random.Generator, at: Callable[[str, float], float], failures: Sequence[WipeFailure]) -> list[Flaw]:
    """The drops of a failing wipe, on the cable that passes the wipe meanwhile."""
    flaws: list[Flaw] = []
    for failure in failures:
        flaws += drops_between(rng, at("wipe", failure.at), at("wipe", failure.until), failure.rate)
    return flaws
