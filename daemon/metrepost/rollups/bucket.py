"""One bucket: an exact piece of cable or time, and what was seen in it."""

import math

import msgspec

from ..events import Rollup, RollupOut
from ..readings import BAD, GOOD, UNCERTAIN, Quality, Tag
from ..readings.moment import rfc3339
from .capability import Limits, MovingRange, indices
from .moments import Moments

ROUNDING = 1e-6
"""Metres that sums of many pieces may be off by."""


class Span(msgspec.Struct, frozen=True):
    """`size` is metres, or seconds where `timed`. A span without a name is kept but not told."""

    name: str
    size: float
    timed: bool = False

    def index(self, at: float) -> int:
        """The bucket that holds `at`; bucket k reaches from ``k * size`` to ``(k + 1) * size``."""
        k = math.floor(at / self.size)
        # the division may round across a boundary; the products are what counts
        if (k + 1) * self.size <= at:
            return k + 1
        return k - 1 if k * self.size > at else k


class Bucket(msgspec.Struct, array_like=True):
    """`start` and `end` are along the span's own axis. `opened` is line time, `metre` the cable metre, where it opened.

    `good`, `uncertain`, `bad` and `left_out` are metres. `product` is the one the good readings were of; `mixed` if
    several. `closed` is line time, once it has.
    """

    index: int
    start: float
    end: float
    opened: float
    metre: float
    moments: Moments
    ranges: MovingRange
    good: float = 0.0
    uncertain: float = 0.0
    bad: float = 0.0
    left_out: float = 0.0
    product: str = ""
    mixed: bool = False
    closed: float = 0.0

    def take(self, quality: Quality | None, value: float, weight: float, metres: float, n: int, product: str) -> None:
        """Take in a piece that lies wholly inside. `quality` None: nothing covered it. Without weight only its metres count."""
        if quality is GOOD:
            self.good += metres
            if weight > 0.0:
                self.moments.add(value, weight, n)
            if product != self.product:
                self.mixed = self.mixed or self.product != ""
                self.product = product
        elif quality is None:
            self.left_out += metres
        elif quality is BAD:
            self.bad += metres
        elif quality is UNCERTAIN:
            self.uncertain += metres


def open_bucket(span: Span, index: int, time: float, metre: float) -> Bucket:
    """An empty bucket. `time` and `metre` are where the tag stands as it opens."""
    return Bucket(index, index * span.size, (index + 1) * span.size, time, metre, Moments(), MovingRange())


def shares(bucket: Bucket, length: float) -> tuple[float, float, float, float]:
    """Metres good, uncertain, bad, left out, adding up to `length`: what rounding left over goes to the greatest of them."""
    parts = [bucket.good, bucket.uncertain, bucket.bad, bucket.left_out]
    if abs(length - sum(parts)) < ROUNDING:  # anything more would be a mistake, which must stay in sight
        greatest = parts.index(max(parts))
        parts[greatest] = length - math.fsum(part for place, part in enumerate(parts) if place != greatest)
    return parts[0], parts[1], parts[2], parts[3]


def told(bucket: Bucket, span: Span, tag: Tag, limits: Limits | None, closed: float, metre: float, reel: str = "") -> RollupOut:
    """The closed bucket as it is told. `closed` (line time) and `metre` say where the tag stood at its end."""
    if span.timed:
        opened, closed, start = bucket.start, bucket.end, bucket.metre
    else:
        opened, start, metre = bucket.opened, bucket.start, bucket.end
    good, uncertain, bad, left_out = shares(bucket, metre - start)
    m = bucket.moments
    some = m.weight > 0.0
    limits = None if bucket.mixed else limits
    pp, ppk = indices(m.mean, m.sd, limits)
    cp, cpk = indices(m.mean, bucket.ranges.sigma, limits)
    data = Rollup(
        span=span.name,
        station=tag.station,
        tag=tag.name,
        unit=tag.ucum,
        opened=rfc3339(opened),
        closed=rfc3339(closed),
        start=start,
        end=metre,
        n=m.n,
        metres_good=good,
        metres_uncertain=uncertain,
        metres_bad=bad,
        metres_left_out=left_out,
        min=m.min if some else None,
        max=m.max if some else None,
        mean=m.mean,
        sd=m.sd,
        first=m.first if some else None,
        last=m.last if some else None,
        pp=pp,
        ppk=ppk,
        cp=cp,
        cpk=cpk,
        reel=reel,
    )
    return RollupOut(opened, data)
