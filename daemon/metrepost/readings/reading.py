"""Readings before and after they are tied to the cable.

Times are seconds since 1970-01-01 UTC in *line time* (see `metrepost.line_clock`): slewed, never stepped.
"""

import msgspec

from .quality import GOOD, Quality


class Reading(msgspec.Struct, frozen=True, gc=False):
    """One value of one tag, in the tag's own unit, as an endpoint delivers it.

    `time` is the source time with the tag's latency already taken off; `time_uncertainty` (seconds, half width) says how
    well it is known. A lost answer is a reading too: quality bad, value NaN, `time` the moment it was given up.
    """

    tag: str
    time: float
    value: float
    quality: Quality = GOOD
    reason: str = ""
    time_uncertainty: float = 0.0


class Measured(msgspec.Struct, frozen=True, gc=False):
    """A reading (or a computed value) tied to its piece of cable.

    `metre` is the cable metre in front of the station at `time`; the value stands for `[start, end]` (metres, aperture
    included). `uncertainty` is the half width of the metre. `covered` says that the whole piece was really looked at: a
    lost or retried answer of a since-read register, or a bad reading, covers nothing. `speed` is line speed in m/s.
    `value_uncertainty` is the standard uncertainty of the value (k = 1), in the tag's unit; None when it is not stated.
    """

    tag: str
    time: float
    value: float
    quality: Quality
    reason: str
    metre: float
    start: float
    end: float
    uncertainty: float
    covered: bool
    speed: float
    value_uncertainty: float | None = None
