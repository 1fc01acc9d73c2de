"""One tag on its way along cable and time: which piece each reading stands for, and the buckets it falls into.

Charter: the pieces of one tag follow each other without overlap or hole, on both axes. `edge` is how far the tag has been
accounted for. Between the edge and the piece of the next reading lies what nobody looked at: left out.
"""

import math
from typing import Any, NamedTuple

import msgspec

from ..events import RollupOut
from ..readings import BAD, GOOD, Hold, Measured, Quality, Tag
from .bucket import Bucket, Span, open_bucket, told
from .capability import Limits
from .reel import CELL, REEL, Cut, Uncut, cell_mean

REACH = 3.0
"""An instant reading stands for the cable since the reading before it, but for no more than this many expected intervals."""
GREATEST = 1e150
"""Values beyond this cannot be squared; they are no measurement and count as bad."""
FARTHEST = 1e9
"""No cable is longer than this (metres)."""
LATEST = 1e11
"""No time lies beyond this (seconds since 1970)."""
TOUCHING = 1e-6
"""Pieces closer than this (metres, seconds) touch: what lies between is rounding."""
MOST_METRES = 1000
"""A hole of more whole metres than this is not told bucket by bucket: ten times as many held up the core by 0.6 s with some 30 tags
rolled up, and a line may have thousands. The buckets begin anew behind it; how many were left out is counted (`skipped`)."""
MOST_BUCKETS = 100
"""The same for the buckets of a told span: those of a long outage would be rows that say nothing."""


class _Place(NamedTuple):
    time: float
    metre: float


class Track:
    """The buckets of one tag. `spans` are told spans; `keep` is how many uncut metres are kept apart (0: no reels).

    `held`: the tag is reported when it changes, so a value stands until the next one comes (and is told to be bad when its
    source is lost). All others stand for what lies behind them.
    """

    def __init__(
        self, tag: Tag, spans: tuple[Span, ...], limits: dict[str, Limits], *, keep: int, held: bool, grace: float
    ) -> None:
        self.tag = tag
        self._limits = limits
        self._held = held
        self._spans = (CELL, *spans)
        self._buckets: list[Bucket] = []
        self._edge: _Place | None = None
        self._quality: Quality | None = None  # of the held value
        self._value = 0.0
        self._since = 0.0
        self._product = ""
        self._uncut = Uncut(keep) if keep else None
        self._cuts: list[Cut] = []
        self._reach = REACH * tag.interval
        self.wait = self._reach + grace
        self.left_late = 0
        self.skipped = 0
        self.cut_behind = 0.0

    # ---- what comes in -------------------------------------------------------------------------------------------------

    def reading(self, m: Measured, product: str, now: float, out: list[RollupOut]) -> None:
        """A reading or computed value. One older than what is already accounted for is counted in `left_late`.

        A held value that is late still stands from here on: a subscription may begin with a value of an hour ago.
        """
        edge = self._edge
        time = m.time
        if not abs(time) < LATEST:
            self.left_late += 1
            return
        if edge is None:
            if not self._held or time > now - self.wait:
                self._begin(time, m.metre if abs(m.metre) < FARTHEST else 0.0)
            self._remember(m, product)
            return
        if time < edge.time:
            self.left_late += 1
            if self._held and time >= self._since:
                self._remember(m, product)
            return
        # reverse motion and nonsense bring no new cable
        metre = m.metre if edge.metre < m.metre < FARTHEST else edge.metre
        value = m.value
        quality: Quality | None = m.quality
        if quality is not BAD:
            if not -GREATEST < value < GREATEST:
                quality = BAD
            elif not m.covered:
                quality = None
        if self._held:
            self._walk(edge, _Place(time, metre), self._quality, self._value, 0, self._product, out)
            self._remember(m, product)
            if quality is GOOD:
                for bucket in self._buckets:
                    bucket.moments.n += 1
        else:
            begin = self._stands_from(m, edge, time, metre)
            if begin is not edge:
                self._walk(edge, begin, None, 0.0, 0, product, out)
            self._walk(begin, _Place(time, metre), quality, value, 1, product, out)
        if self._cuts:
            self._answer_cuts(-math.inf, out)

    def cut(self, cut: Cut, out: list[RollupOut]) -> None:
        """The cable was cut at a metre that has passed the station: its reel is told as soon as that metre is accounted for."""
        if self._uncut is not None and self._edge is not None:
            self._cuts.append(cut)
            self._answer_cuts(-math.inf, out)

    def waited(self, now: float, metre: float | None, out: list[RollupOut]) -> None:
        """Nothing that stands for cable or time before `now - wait` can come any more; `metre` is where the cable was then.

        Closes buckets that end before that. With `metre` None only time is known to have passed.
        """
        due = now - self.wait
        if self._edge is None:
            if self._quality is not None and self._held:
                self._begin(due, metre if metre is not None and abs(metre) < FARTHEST else 0.0)
            return
        edge = self._edge
        metre = metre if metre is not None and edge.metre < metre < FARTHEST else edge.metre
        ends = any((due if s.timed else metre) >= b.end for s, b in zip(self._spans, self._buckets, strict=True))
        if due > edge.time and ends:
            quality, value, product = (self._quality, self._value, self._product) if self._held else (None, 0.0, "")
            self._walk(edge, _Place(due, metre), quality, value, 0, product, out)
        if self._cuts:
            self._answer_cuts(due, out)

    # ---- which piece a reading stands for --------------------------------------------------------------------------------

    def _stands_from(self, m: Measured, edge: _Place, time: float, metre: float) -> _Place:
        """Where the piece of a reading begins, at the edge or behind it."""
        past = time - edge.time
        new = metre - edge.metre
        tag = self.tag
        if tag.hold is Hold.INSTANT or m.quality is BAD:
            if past <= self._reach + TOUCHING:
                return edge
            return _Place(time - self._reach, metre - new * (self._reach / past))
        # a hold says itself where it began; the aperture beyond its ends is coverage, but not new cable
        start = m.start + (m.end - m.metre)
        gap = start - edge.metre
        begin = edge.metre if not gap > TOUCHING else min(start, metre)
        if tag.since_read:
            since = edge.time if begin == edge.metre else edge.time + past * ((begin - edge.metre) / new)
        else:
            since = time - tag.window
            if since <= edge.time + TOUCHING:
                since = edge.time
        return edge if (since, begin) == edge else _Place(since, begin)

    def _remember(self, m: Measured, product: str) -> None:
        finite = -GREATEST < m.value < GREATEST
        self._quality = m.quality if finite else BAD
        self._since = m.time
        self._value = m.value if finite else 0.0
        self._product = product

    # ---- walking along -----------------------------------------------------------------------------------------------------

    def _begin(self, time: float, metre: float) -> None:
        """Open every bucket around a place; cable before it in its buckets of length is left out."""
        self._edge = _Place(time, metre)
        self._buckets = []
        for span in self._spans:
            bucket = open_bucket(span, span.index(time if span.timed else metre), time, metre)
            if not span.timed:
                bucket.left_out = metre - bucket.start
            self._buckets.append(bucket)

    def _walk(
        self, begin: _Place, end: _Place, quality: Quality | None, value: float, n: int, product: str, out: list[RollupOut]
    ) -> None:
        """Account for everything from `begin` to `end` (later, and no less far along the cable)."""
        if self._is_long(end):
            self._leap(begin, end, out)
            return
        # in steps that end with each whole metre, so that its mean is known before a longer bucket closes
        cell = self._buckets[0]
        while end.metre > cell.end:
            share = (cell.end - begin.metre) / (end.metre - begin.metre)
            step = _Place(min(begin.time + share * (end.time - begin.time), end.time), cell.end)
            # the last moments of a piece may round to its end: then it ends here in time, though not yet in length
            self._step(begin, step, quality, value, 0, n if step.time == end.time else 0, product, out)
            begin = step
            cell = self._buckets[0]
        self._step(begin, end, quality, value, n, n, product, out)
        self._edge = end

    def _is_long(self, end: _Place) -> bool:
        """Whether more buckets end before `end` than are told one by one."""
        if end.metre - self._buckets[0].end > MOST_METRES * CELL.size:
            return True
        return any(
            (end.time if span.timed else end.metre) - bucket.end > MOST_BUCKETS * span.size
            for span, bucket in zip(self._spans[1:], self._buckets[1:], strict=True)
        )

    def _step(
        self,
        begin: _Place,
        end: _Place,
        quality: Quality | None,
        value: float,
        n_length: int,
        n_time: int,
        product: str,
        out: list[RollupOut],
    ) -> None:
        """Account for a piece within one metre. `n_length` and `n_time`: readings that end with it, on either axis."""
        t0, m0 = begin
        t1, m1 = end
        metres = m1 - m0
        seconds = t1 - t0
        for place, span in enumerate(self._spans):
            bucket = self._buckets[place]
            timed = span.timed
            n = n_time if timed else n_length
            until = t1 if timed else m1
            if until < bucket.end:
                weight = seconds if timed else metres
                if weight > 0.0 or metres > 0.0:
                    bucket.take(quality, value, weight, metres, n, product)
                continue
            at = t0 if timed else m0
            length = until - at
            metre = m0
            while until >= bucket.end:
                boundary = bucket.end
                share = (boundary - (t0 if timed else m0)) / length if length > 0.0 else 0.0
                met = m0 + share * metres if timed else boundary
                time = boundary if timed else t0 + share * seconds
                if boundary > at:
                    bucket.take(quality, value, boundary - at, met - metre, n if boundary == until else 0, product)
                self._close(place, span, bucket, time, met, out)
                bucket = self._buckets[place] = open_bucket(span, bucket.index + 1, time, met)
                at, metre = boundary, met
            if until > at or m1 > metre:
                bucket.take(quality, value, until - at, m1 - metre, n, product)

    def _close(self, place: int, span: Span, bucket: Bucket, time: float, metre: float, out: list[RollupOut]) -> None:
        bucket.closed = time
        if place == 0:
            mean = cell_mean(bucket)
            for other, open_now in zip(self._spans[1:], self._buckets[1:], strict=True):
                if not other.timed and open_now.start <= bucket.start and bucket.end <= open_now.end:
                    open_now.ranges.add(mean)
            if self._uncut is not None:
                self._uncut.add(bucket)
            return
        out.append(told(bucket, span, self.tag, self._limits.get(bucket.product), time, metre))

    def _leap(self, begin: _Place, end: _Place, out: list[RollupOut]) -> None:
        """A hole too long to be told bucket by bucket: close what is open, left out to its end, and begin anew behind it."""
        before = self._buckets
        for place, span in enumerate(self._spans):
            bucket = before[place]
            if span.timed:
                out.append(told(bucket, span, self.tag, self._limits.get(bucket.product), bucket.end, begin.metre))
            elif end.metre >= bucket.end:
                bucket.left_out += bucket.end - begin.metre
                self._close(place, span, bucket, begin.time, bucket.end, out)
        after = before[0].end
        self._begin(end.time, end.metre)
        for place, span in enumerate(self._spans):
            self.skipped += max(0, self._buckets[place].index - before[place].index - 1) if span.name else 0
            if not span.timed and self._buckets[place].index == before[place].index:
                # the hole was one of time alone: the bucket of length goes on
                before[place].left_out += end.metre - begin.metre
                self._buckets[place] = before[place]
        if self._uncut is not None and self._buckets[0].start > after:
            self._uncut.left_out(self._buckets[0].start - after)

    # ---- reels -------------------------------------------------------------------------------------------------------------

    def _answer_cuts(self, due: float, out: list[RollupOut]) -> None:
        """Tell the reels of cuts whose whole metre is accounted for, or that have waited long enough."""
        assert self._uncut is not None
        while self._cuts:
            cut = self._cuts[0]
            assert self._edge is not None
            whole = self._buckets[0].start if cut.metre <= self._buckets[0].start else math.ceil(cut.metre) * CELL.size
            if self._edge.metre < whole:
                if cut.time > due:
                    return
                self._walk(self._edge, _Place(self._edge.time, float(whole)), None, 0.0, 0, "", out)
            del self._cuts[0]
            reel, behind = self._uncut.cut(cut.metre)
            self.cut_behind += behind
            if reel is not None:
                out.append(told(reel, REEL, self.tag, self._limits.get(reel.product), reel.closed, reel.end, cut.reel))

    # ---- restart -------------------------------------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """JSON-able data."""
        return {
            "spans": [[span.name, span.size, span.timed] for span in self._spans],
            "edge": list(self._edge) if self._edge is not None else None,
            "buckets": msgspec.to_builtins(self._buckets),
            "held": [self._value, self._product],
            "uncut": self._uncut.snapshot() if self._uncut is not None else None,
            "cuts": msgspec.to_builtins(self._cuts),
            "counts": [self.left_late, self.skipped, self.cut_behind],
        }

    def restore(self, state: Any) -> bool:
        """Take back a snapshot made with the same spans; False (and nothing changed) when it does not fit."""
        try:
            if state["spans"] != [[span.name, span.size, span.timed] for span in self._spans]:
                return False
            edge = msgspec.convert(state["edge"], tuple[float, float] | None)
            buckets = msgspec.convert(state["buckets"], list[Bucket])
            value, product = msgspec.convert(state["held"], tuple[float, str])
            cuts = msgspec.convert(state["cuts"], list[Cut])
            late, skipped, behind = msgspec.convert(state["counts"], tuple[int, int, float])
            if self._uncut is not None and state["uncut"] is not None:
                self._uncut.restore(state["uncut"])
        except (KeyError, TypeError, msgspec.ValidationError):
            return False
        if edge is not None and len(buckets) != len(self._spans):
            return False
        self._edge = _Place(*edge) if edge is not None else None
        self._buckets, self._cuts = buckets, cuts if self._uncut is not None else []
        self._value, self._product = value, product
        self._quality = None  # nobody watched meanwhile: a held value stands again when it is told again
        self.left_late, self.skipped, self.cut_behind = late, skipped, behind
        return True
