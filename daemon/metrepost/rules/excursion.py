"""A short excursion over a limit, as one or more tags of one gauge see it, and how long it can be.

For readings that each stand for a piece of cable the length is an interval: at least what lies between the first and the last piece
over the limit, at most what lies between the pieces known to be under it. With n pieces of length D that is (n-2)·D to n·D.
"""

from collections.abc import Mapping
from typing import Any

import msgspec

from ..readings import Measured

TRACE = 64
"""Pieces of the trace kept with an excursion; a longer one keeps its head."""


class Excursion(msgspec.Struct):
    """One excursion while it is under way. Metres; `peak_rise` in the tag's unit."""

    start: float
    end: float
    low: float  # end of the last piece known to be under, before it
    high: float  # start of the first piece known to be under, after it (grows while it is open)
    first_end: float
    last_start: float
    onset: float
    last_time: float
    peak_rise: float
    peak_metre: float
    speed: float
    pieces: int
    uncertainty: float
    uncertain: bool = False
    lost: bool = False
    told: bool = False
    over: list[str] = []
    trace: list[list[float]] = []

    @property
    def length_low(self) -> float:
        """The least it can measure."""
        return max(0.0, self.last_start - self.first_end)

    @property
    def length_high(self) -> float:
        """The most it can measure."""
        return self.high - self.low


class ExcursionTracker:
    """Follows the tags of one gauge. `over`/`under`/`lost` take their readings; `open` is the excursion under way.

    It is complete (`take` gives it) when no tag is over any more and every tag has spoken since the last piece over the limit.
    """

    def __init__(self, tags: tuple[str, ...]) -> None:
        self._tags = tags
        self._under: dict[str, float] = {}  # tag: end of its last piece known to be under
        self._over: set[str] = set()
        self._spoke: dict[str, float] = {}  # tag: time of its last reading
        self.open: Excursion | None = None

    def over(self, m: Measured, rise: float, *, uncertain: bool) -> Excursion:
        """A piece over the limit."""
        self._spoke[m.tag] = m.time
        low = min(self._under.get(m.tag, m.start), m.start)
        e = self.open
        if e is None:
            e = self.open = Excursion(
                start=m.start,
                end=m.end,
                low=low,
                high=m.end,
                first_end=m.end,
                last_start=m.start,
                onset=m.time,
                last_time=m.time,
                peak_rise=rise,
                peak_metre=m.metre,
                speed=m.speed,
                pieces=0,
                uncertainty=m.uncertainty,
                over=[],
                trace=[],
            )
        if rise > e.peak_rise:
            e.peak_rise, e.peak_metre = rise, 0.5 * (m.start + m.end)
        e.start = min(e.start, m.start)
        e.end = max(e.end, m.end)
        e.low = min(e.low, low) if m.tag not in e.over else e.low
        e.high = max(e.high, m.end)
        e.last_start = max(e.last_start, m.start)
        e.last_time = m.time
        e.speed = max(e.speed, abs(m.speed))
        e.uncertainty = max(e.uncertainty, m.uncertainty)
        e.pieces += 1
        e.uncertain = e.uncertain or uncertain
        if m.tag not in e.over:
            e.over = [*e.over, m.tag]
        self._over.add(m.tag)
        if len(e.trace) < TRACE:
            e.trace.append([round(m.start, 4), round(m.end, 4), round(rise, 6)])
        return e

    def is_over(self, tag: str) -> bool:
        """Whether the tag's last reading belongs to the excursion under way."""
        return tag in self._over

    def under(self, m: Measured) -> bool:
        """A piece known to be under the limit. True when the excursion is complete by it."""
        self._under[m.tag] = m.end
        self._spoke[m.tag] = m.time
        e = self.open
        if e is None:
            return False
        if m.tag in self._over:
            e.high = max(e.high, m.start)
            self._over.discard(m.tag)
        return self._complete(e)

    def lost(self, m: Measured) -> bool:
        """A reading that says nothing: what it should have seen may belong to the excursion."""
        self._spoke[m.tag] = m.time
        e = self.open
        if e is None:
            return False
        e.lost = True
        e.high = max(e.high, m.end)
        return self._complete(e)

    def _complete(self, e: Excursion) -> bool:
        return not self._over and all(self._spoke.get(tag, e.last_time) > e.last_time for tag in self._tags)

    def take(self) -> Excursion | None:
        """The excursion, closed; the tracker is ready for the next one."""
        done, self.open = self.open, None
        self._over.clear()
        return done

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        return {
            "under": dict(self._under),
            "over": sorted(self._over),
            "spoke": dict(self._spoke),
            "open": None if self.open is None else msgspec.structs.asdict(self.open),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self._under = dict(state["under"])
        self._over = set(state["over"])
        self._spoke = dict(state["spoke"])
        self.open = None if state["open"] is None else Excursion(**state["open"])
