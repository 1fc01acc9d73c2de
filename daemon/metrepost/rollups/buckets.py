"""Rollups of a line: statistics of chosen tags over exact buckets of cable, of time, and over reels.

What weighs what:

* buckets of **length** and reels weight a good reading by the cable it stands for (metres);
* buckets of **time** weight it by the time it stands for (seconds), whether the cable moves or not. At constant speed both agree.

An instant reading stands for the cable (and time) since the reading before it, at most three expected intervals of it; a register
that holds (mean, max, min) for the piece it says. Pieces of one tag never overlap; what no piece covers is left out. A piece over a
boundary is shared out by length (or time) and counts in `n` where it ends. The first reading of a tag only marks where it begins,
and readings of cable that stands bring nothing to buckets of length.

A bucket closes when its tag has been accounted for to its end; failing that, on a tick `grace` seconds and three intervals later.
"""

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from ..events import Rollup, RollupOut
from ..line.plan import RollupPlan
from ..readings import Measured, Tag
from .bucket import Span
from .capability import Limits
from .reel import Cut
from .track import Track

GRACE = 2.0
"""Seconds that a late reading (OPC UA) has before a bucket that nothing else closes is closed without it."""
LOOK = 0.5
"""Seconds between two looks at what is overdue."""
UNCUT = 400
"""Metres kept apart between a station and the cut: path, accumulator and room (84 m + 200 m on the demonstration line).

They are most of what the daemon keeps: about 235 bytes of state for each metre and tag.
"""
_PLACES = 128


class RollupBook:
    """All buckets of one line.

    `plan` says spans, tags and product limits; `tags` knows each of them. `grace` in seconds; `uncut` in whole metres (0: no
    reels). `held` names tags that are reported on change (OPC UA subscriptions): their value stands until the next one.
    Raises ValueError for a tag that is not known or a span that is not above 0.
    """

    def __init__(
        self,
        plan: RollupPlan,
        tags: Mapping[str, Tag],
        *,
        grace: float = GRACE,
        uncut: int = UNCUT,
        held: Iterable[str] = (),
    ) -> None:
        spans = tuple(Span(name, size) for name, size in plan.lengths)
        spans += tuple(Span(name, size, timed=True) for name, size in plan.times)
        for span in spans:
            if not 0.0 < span.size < float("inf"):
                raise ValueError(f"rollup span {span.name!r} has size {span.size}; a span is above 0")
        held = frozenset(held)
        self._tracks: dict[str, Track] = {}
        for name in plan.tags:
            if name not in tags:
                raise ValueError(f"rollups name tag {name!r}, which the line does not have")
            limits = {product: Limits(*pair) for product, pair in plan.limits.get(name, {}).items()}
            keep = uncut if plan.reels is None or name in plan.reels else 0
            self._tracks[name] = Track(tags[name], spans, limits, keep=keep, held=name in held, grace=grace)
        # where the cable was in front of each station a little while ago
        self._places: dict[str, deque[tuple[float, float]]] = {}
        self._now = 0.0
        self._next_look = 0.0
        # after a restart: how far the buckets of a tag and span were told already, along the span's own axis
        self._told: dict[tuple[str, str], float] = {}
        self._timed = {span.name for span in spans if span.timed}

    def keeps(self, tag: str) -> bool:
        """Whether a tag has rollups: readings of others need not be handed in."""
        return tag in self._tracks

    def reading(self, m: Measured, product: str) -> list[RollupOut]:
        """A reading or computed value; `product` is the name of the product at its metre. Other tags are ignored."""
        track = self._tracks.get(m.tag)
        if track is None:
            return []
        if m.time > self._now:  # never true of NaN
            self._now = m.time
        out: list[RollupOut] = []
        track.reading(m, product, self._now, out)
        return self._new(out) if self._told else out

    def tick(self, now: float, metre_now: Callable[[str], float] | None = None) -> list[RollupOut]:
        """Line time went on: close what is overdue.

        `metre_now` gives the cable metre in front of a station. With it, buckets of length close for tags that have fallen
        silent; without it only those of time do.
        """
        if now > self._now:
            self._now = now
        if now < self._next_look:
            return []
        self._next_look = now + LOOK
        if metre_now is not None:
            for station in {track.tag.station for track in self._tracks.values()}:
                self._places.setdefault(station, deque(maxlen=_PLACES)).append((now, metre_now(station)))
        out: list[RollupOut] = []
        for track in self._tracks.values():
            metre = self._metre_then(track.tag.station, now - track.wait)
            if metre_now is None or metre is not None:  # at first nobody knows where the cable was that long ago
                track.waited(now, metre, out)
        return self._new(out) if self._told else out

    def cut(self, metre: float, reel: str, now: float | None = None) -> list[RollupOut]:
        """`reel` ends at cable metre `metre`. Reels of tags that have not answered for that metre yet are told later."""
        out: list[RollupOut] = []
        for track in self._tracks.values():
            track.cut(Cut(metre, reel, self._now if now is None else now), out)
        return self._new(out) if self._told else out

    def replay(self, rollup: Rollup, time: float) -> None:
        """A bucket that was told after the snapshot that was restored: it is not told a second time. `time` as in `RollupOut`."""
        key = (rollup.tag, rollup.span)
        reached = self._reached(rollup, time)
        self._told[key] = max(reached, self._told.get(key, reached))

    def _reached(self, rollup: Rollup, time: float) -> float:
        return time if rollup.span in self._timed or rollup.end is None else rollup.end

    def _new(self, out: list[RollupOut]) -> list[RollupOut]:
        """Without what was told before a kill."""
        new: list[RollupOut] = []
        for item in out:
            key = (item.data.tag, item.data.span)
            told = self._told.get(key)
            if told is not None and self._reached(item.data, item.time) <= told:
                continue
            self._told.pop(key, None)  # the buckets of a tag come in order: from here on all are new
            new.append(item)
        return new

    @property
    def dropped(self) -> dict[str, float]:
        """What did not find its way into a bucket: readings that came too late (`left_late`), buckets of long holes that were
        not told (`skipped`), metres by which cuts lay before what was already counted to a reel (`cut_behind`)."""
        tracks = self._tracks.values()
        return {
            "left_late": sum(track.left_late for track in tracks),
            "skipped": sum(track.skipped for track in tracks),
            "cut_behind": sum(track.cut_behind for track in tracks),
        }

    def snapshot(self) -> dict[str, Any]:
        """All state as JSON-able data."""
        return {"format": 1, "now": self._now, "tags": {name: track.snapshot() for name, track in self._tracks.items()}}

    def restore(self, state: Mapping[str, Any]) -> list[str]:
        """Take back a snapshot. Returns the tags that begin anew: those that are new, and those whose spans have changed."""
        saved = state.get("tags", {})
        now = state.get("now")
        self._now = float(now) if isinstance(now, float | int) else 0.0
        return [name for name, track in self._tracks.items() if name not in saved or not track.restore(saved[name])]

    def _metre_then(self, station: str, then: float) -> float | None:
        """The last place noted at or before a moment; None when that is not known."""
        for time, place in reversed(self._places.get(station, ())):
            if time <= then:
                return place
        return None
