"""Where a drifting mean will break its band: level, then a straight line, fitted to recent subgroup means.

An alarm comes when the recent means still hold cable from before the drift, and one straight line through all of them would foretell too
late. So every subgroup is tried as the start of the drift: y = a + b·max(0, x − start), ordinary least squares (subgroups are equally long
and weigh the same). The 95 % range is the profile likelihood's (from memory, as is Fieller's theorem, which gives it for one start): all
metres of the bound, over all starts, whose fit is not worse than the best by more than t²·s². Neighbours that correlate by r widen it by
√((1+r)/(1−r)), as they widen the charts. It says what happens if the drift goes on as it did, no more. How often the range holds the truth
is counted in tests/rules/test_drift.py.
"""

from collections.abc import Iterator, Sequence
from math import inf, isfinite, sqrt

import msgspec

T95 = (3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110)
"""Student's t, two-sided 95 %, for 3 to 17 degrees of freedom (6 to 20 means, three parameters)."""
LEAST = 6
"""Means that a forecast needs."""
LEAST_DRIFTING = 3
"""Means after the start of the drift: fewer say nothing of a slope."""


class Forecast(msgspec.Struct, frozen=True):
    """Metres from the last subgroup to the band: the best guess and its 95 % range; `slope` per metre."""

    metres: float
    soonest: float
    latest: float
    slope: float


class _Fit(msgspec.Struct, frozen=True):
    start: float
    mid: float  # mean of max(0, x − start)
    level: float  # mean of y
    slope: float
    spread: float  # sum of squares of max(0, x − start) about its mean
    rest: float  # sum of squares of what the line leaves


def _fits(metres: Sequence[float], means: Sequence[float]) -> Iterator[_Fit]:
    n = len(metres)
    level = sum(means) / n
    for start in metres[:-LEAST_DRIFTING]:
        run = [max(0.0, x - start) for x in metres]
        mid = sum(run) / n
        spread = sum((u - mid) ** 2 for u in run)
        if spread > 0:
            slope = sum((u - mid) * (y - level) for u, y in zip(run, means, strict=True)) / spread
            rest = sum((y - level - slope * (u - mid)) ** 2 for u, y in zip(run, means, strict=True))
            yield _Fit(start, mid, level, slope, spread, rest)


def forecast(
    metres: Sequence[float], means: Sequence[float], low: float, high: float, correlation: float = 0.0
) -> Forecast | None:
    """The forecast, or None when there are fewer than 6 means, or no slope that is surely towards a limit.

    `correlation` is that of neighbouring means, 0 up to below 1.
    """
    n = len(metres)
    fits = list(_fits(metres, means)) if n >= LEAST else []
    if not fits:
        return None
    best = min(fits, key=lambda f: f.rest)
    t = T95[min(n - LEAST, len(T95) - 1)]
    allowed = best.rest * (1 + t * t / (n - 3) * (1 + correlation) / (1 - correlation))
    if sum((y - best.level) ** 2 for y in means) <= allowed * (1 + 1e-9):
        return None  # a level line fits nearly as well
    bound = high if best.slope > 0 else low
    last = metres[-1]
    soonest, latest = inf, 0.0
    for fit in fits:
        if fit.rest <= allowed:
            first, second = _range(fit, bound, allowed - fit.rest, n)
            soonest, latest = min(soonest, first - last), max(latest, second - last)
    ahead = _crossing(best, bound) - last
    if not (isfinite(ahead) and isfinite(latest)):
        return None
    return Forecast(max(0.0, ahead), max(0.0, soonest), latest, best.slope)


def _crossing(fit: _Fit, bound: float) -> float:
    return fit.start + fit.mid + (bound - fit.level) / fit.slope


def _range(fit: _Fit, bound: float, slack: float, n: int) -> tuple[float, float]:
    """Where this line may meet the bound when its sum of squares may grow by `slack`.

    The roots of (slope·v − gap)² = slack·(1/n + v²/spread), v counted from the mean of the run. They exist: for every start that is
    admitted, slope²·spread − slack is what a level line leaves beyond what is allowed.
    """
    gap = bound - fit.level
    certain = fit.slope**2 - slack / fit.spread
    root = sqrt(slack * (certain / n + gap * gap / fit.spread))
    return fit.start + fit.mid + (fit.slope * gap - root) / certain, fit.start + fit.mid + (fit.slope * gap + root) / certain
