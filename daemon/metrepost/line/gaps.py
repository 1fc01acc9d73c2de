"""Gaps in observation: cable that passed a station while nothing usable was read there. A gap is told, never passed over quietly.

A station is whole when each tag that rules read of it has delivered; one axis of two is not enough. Holes closer together than `QUIET`
seconds are one gap, so that a bad network is a few stretches and not thousands.
"""

from collections.abc import Iterable, Mapping

import msgspec

from ..events import StretchEvent
from ..readings import BAD, Measured
from .stretches import gap_for

QUIET = 1.0
"""Seconds without a further hole before a gap is told."""
OPEN_AFTER = 10.0
"""A gap that has not ended after so many seconds is told as open, and told again when it ends."""
LEAST = 0.01
"""Metres: while the line stands nothing passes unseen."""
LEARNT = 0.2
"""Share of a baseline's window that must be read again, after a gap longer than the window, before flaws can be judged by it."""


class _Hole(msgspec.Struct):
    start: float
    end: float
    since: float
    missing: set[str]
    why: str
    whole_at: float | None = None
    told_open: bool = False
    back: dict[str, float] = {}
    restarted: bool = False


class GapWatch:
    """Watches the polled tags that rules read. `tags` maps each to its station; `windows` gives the shortest window (metres) of the
    baselines at a station: a gap longer than that lasts until there is a baseline again.
    """

    def __init__(self, tags: Mapping[str, str], windows: Mapping[str, float] | None = None) -> None:
        self._tags = dict(tags)
        self._windows = dict(windows or {})
        self._of: dict[str, set[str]] = {}
        for tag, station in self._tags.items():
            self._of.setdefault(station, set()).add(tag)
        self._seen: dict[str, float] = {}  # tag: end of its last usable piece
        self._holes: dict[str, _Hole] = {}

    @property
    def stations(self) -> Iterable[str]:
        """Stations that are watched."""
        return self._of

    def reading(self, m: Measured) -> None:
        """A reading that is tied to the cable."""
        station = self._tags.get(m.tag)
        if station is None:
            return
        if m.quality is BAD:
            seen = self._seen.get(m.tag)
            if seen is not None:  # of a tag that never delivered nothing was lost
                self._lost(station, m, seen)
            return
        window = self._windows.get(station, 0.0)
        hole = self._holes.get(station)
        waited_for = hole is not None and m.tag in hole.missing
        if not waited_for and 0.0 < window < m.end - self._seen.get(m.tag, m.end):
            # one piece as long as the baseline's window: looked at, but there is nothing to judge it by
            hole = self._lost(station, m, self._seen[m.tag])
            hole.why, waited_for = "no reading for longer than the baselines of its rules", True
        if hole is not None and waited_for:
            first = hole.back.setdefault(m.tag, m.end)
            # after a restart the baselines are those of the last snapshot, however short the gap
            learns = window > 0.0 and (hole.restarted or first - hole.start > window)
            if not learns or m.start - first >= LEARNT * window:
                hole.missing.discard(m.tag)
            hole.end = max(hole.end, m.start)
            if not hole.missing:
                hole.whole_at = m.time
        self._seen[m.tag] = m.end

    def _lost(self, station: str, m: Measured, seen: float) -> _Hole:
        hole = self._holes.get(station)
        if hole is None:
            hole = self._holes[station] = _Hole(seen, m.end, m.time, set(), "")
        hole.start = min(hole.start, seen)
        hole.end = max(hole.end, m.end)
        hole.missing.add(m.tag)
        hole.back.pop(m.tag, None)
        hole.whole_at = None
        hole.why = f"no usable reading ({m.reason})" if m.reason else "no usable reading"
        return hole

    def begin(self, station: str, time: float, start: float, end: float, why: str) -> None:
        """Nobody watched from `start` on: the gap ends when every tag of the station has delivered."""
        tags = self._of.get(station, set())
        self._holes[station] = _Hole(start, end, time, set(tags), why, restarted=True)

    def tick(self, now: float) -> list[tuple[float, StretchEvent]]:
        """Gaps to be told now, each with the moment it began."""
        if not self._holes:
            return []
        told: list[tuple[float, StretchEvent]] = []
        for station, hole in list(self._holes.items()):
            if hole.whole_at is not None and now - hole.whole_at >= QUIET:
                del self._holes[station]
                if hole.end - hole.start > LEAST or hole.told_open:
                    why = f"{station} was not watched from metre {hole.start:.1f} to {hole.end:.1f}: {hole.why}"
                    told.append((hole.since, gap_for(station, now, hole.start, hole.end, why)))
            elif hole.whole_at is None and not hole.told_open and now - hole.since >= OPEN_AFTER:
                hole.told_open = True
                missing = ", ".join(sorted(hole.missing))
                why = f"{station} has not been watched since metre {hole.start:.1f}: {hole.why}; missing: {missing}"
                told.append((hole.since, gap_for(station, now, hole.start, None, why)))
        return told

    def take_over(self, before: "GapWatch") -> None:
        """Go on from the watch of the files as they were."""
        self._seen |= {tag: end for tag, end in before._seen.items() if tag in self._tags}
        for station, hole in before._holes.items():
            if (tags := self._of.get(station)) is not None:
                self._holes[station] = hole
                hole.missing &= tags
                if not hole.missing and hole.whole_at is None:
                    hole.whole_at = hole.since

    def under_way(self) -> dict[str, float]:
        """Stations with a gap that is not told whole, and the metre where it began."""
        return {station: hole.start for station, hole in self._holes.items()}
