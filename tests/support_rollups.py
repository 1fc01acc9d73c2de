"""Readings for rollup tests, and a slow, exact account of what must be in each bucket."""

import math
from fractions import Fraction

from metrepost.line.plan import RollupPlan
from metrepost.readings import GOOD, Measured, Tag
from metrepost.rollups import RollupBook

START = 1_780_000_000.0
"""A moment that begins a bucket of 10 s."""
BORE = Tag(name="cold-gauge.diameter", station="cold-gauge", unit="mm", ucum="mm", interval=0.1)


def measured(metre, time, value=1.0, quality=GOOD, *, start=None, end=None, covered=True, tag=BORE.name, speed=1.0):
    """A reading at a metre and `time` seconds after START."""
    start = metre if start is None else start
    end = metre if end is None else end
    return Measured(tag, START + time, value, quality, "", metre, start, end, 0.05, covered, speed)


def book(lengths=(("10m", 10.0),), times=(), tag=BORE, limits=None, **more):
    plan = RollupPlan(lengths=tuple(lengths), times=tuple(times), tags=(tag.name,), limits={tag.name: limits} if limits else {})
    return RollupBook(plan, {tag.name: tag}, **more)


def run(rollups, values, *, speed=1.0, interval=0.1, first_metre=0.0, product="p", quality=GOOD):
    """Feed instant readings at constant speed, the first at `first_metre`; everything told, as plain `Rollup`."""
    out = []
    for i, value in enumerate(values):
        m = measured(first_metre + speed * interval * i, interval * i, value, quality)
        out += rollups.reading(m, product)
    return [item.data for item in out]


def metres(rollup):
    """The four shares added up."""
    return math.fsum((rollup.metres_good, rollup.metres_uncertain, rollup.metres_bad, rollup.metres_left_out))


def exact(pairs, n=None):
    """Mean and deviation of ``(value, weight)`` in exact arithmetic on the doubles; deviation as in `Moments.sd`."""
    pairs = [(Fraction(x), Fraction(w)) for x, w in pairs]
    n = len(pairs) if n is None else n
    total = sum(w for _, w in pairs)
    mean = sum(x * w for x, w in pairs) / total
    if n < 2:
        return float(mean), None
    variance = sum(w * (x - mean) ** 2 for x, w in pairs) / total * Fraction(n, n - 1)
    # the square root of a fraction whose terms may be too large for a float
    scale = Fraction(2) ** (2 * 60)
    return float(mean), math.isqrt(int(variance * scale * scale)) / float(scale)


def one_pass_sd(values):
    """The textbook one-pass formula that must never be used: sqrt((sum x^2 - n mean^2) / (n - 1))."""
    n, total, squares = 0, 0.0, 0.0
    for x in values:
        n, total, squares = n + 1, total + x, squares + x * x
    variance = (squares - n * (total / n) ** 2) / (n - 1)
    return math.sqrt(variance) if variance > 0 else 0.0
