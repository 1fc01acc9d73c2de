"""Where a drifting mean will break its band: a straight line through recent subgroup means, and how sure its slope is.

Ordinary least squares; the interval takes the slope's 95 % range, with the mean of the recent values as the start. It says what happens
if the drift goes on as it did, no more.
"""

from collections.abc import Sequence
from math import inf, sqrt

import msgspec

T95 = 2.0
"""Half width of a 95 % interval in standard errors, for the 10 to 30 subgroups used (Student's t, rounded)."""


class Forecast(msgspec.Struct, frozen=True):
    """Metres from the last subgroup to the band: the best guess and its 95 % range; `slope` per metre."""

    metres: float
    soonest: float
    latest: float
    slope: float


def forecast(metres: Sequence[float], means: Sequence[float], low: float, high: float) -> Forecast | None:
    """The forecast, or None when there are fewer than 6 means, or no slope that is surely towards a limit."""
    n = len(metres)
    if n < 6:
        return None
    mid_x, mid_y = sum(metres) / n, sum(means) / n
    sxx = sum((x - mid_x) ** 2 for x in metres)
    if sxx <= 0:
        return None
    slope = sum((x - mid_x) * (y - mid_y) for x, y in zip(metres, means, strict=True)) / sxx
    rest = sum((y - mid_y - slope * (x - mid_x)) ** 2 for x, y in zip(metres, means, strict=True))
    doubt = T95 * sqrt(rest / (n - 2) / sxx)
    if abs(slope) <= doubt:
        return None
    here = mid_y + slope * (metres[-1] - mid_x)
    gap = (high - here) if slope > 0 else (low - here)
    if gap * slope <= 0:
        return Forecast(0.0, 0.0, 0.0, slope)
    steep, flat = abs(slope) + doubt, abs(slope) - doubt
    return Forecast(abs(gap / slope), abs(gap) / steep, abs(gap) / flat if flat > 0 else inf, slope)
