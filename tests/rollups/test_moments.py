"""Statistics against exact arithmetic: on every prefix, merged at any place, with any weights."""

import itertools

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.rollups import Moments
from support_rollups import exact

CLOSE = 1e-12

# values as gauges give them: a level, far from zero or not, and steps of a resolution
levels = st.sampled_from([0.0, 4.8, -40.0, 1e3, 1e6])
steps = st.lists(st.integers(-10_000, 10_000), min_size=1, max_size=60)
resolutions = st.sampled_from([1e-4, 1e-2, 1.0])


@st.composite
def series(draw):
    level, resolution = draw(levels), draw(resolutions)
    values = [level + resolution * step for step in draw(steps)]
    weights = draw(st.lists(st.floats(1e-3, 10.0), min_size=len(values), max_size=len(values)))
    return list(zip(values, weights, strict=True))


def of(pairs):
    m = Moments()
    for x, w in pairs:
        m.add(x, w)
    return m


def same(m, pairs):
    mean, sd = exact(pairs)
    spread = max(x for x, _ in pairs) - min(x for x, _ in pairs)
    assert m.n == len(pairs)
    assert m.mean == pytest.approx(mean, rel=CLOSE, abs=CLOSE * spread)
    if sd is None:
        assert m.sd is None
    else:
        assert m.sd == pytest.approx(sd, rel=1e-11, abs=CLOSE * spread)
    values = [x for x, _ in pairs]
    assert (m.min, m.max, m.first, m.last) == (min(values), max(values), values[0], values[-1])


@given(series())
def test_every_prefix_agrees_with_exact_arithmetic(pairs):
    m = Moments()
    for count, (x, w) in enumerate(pairs, 1):
        m.add(x, w)
        if count in (1, 2, 3, len(pairs)):
            same(m, pairs[:count])


@given(series(), st.lists(st.integers(0, 60), max_size=5))
def test_merged_equals_direct(pairs, places):
    direct = of(pairs)
    merged = Moments()
    cuts = [0, *sorted(min(place, len(pairs)) for place in places), len(pairs)]
    for begin, end in itertools.pairwise(cuts):
        merged.merge(of(pairs[begin:end]))
    assert merged.n == direct.n
    assert merged.weight == pytest.approx(direct.weight, rel=CLOSE)
    assert merged.mean == pytest.approx(direct.mean, rel=CLOSE, abs=CLOSE * (direct.max - direct.min))
    if direct.sd is not None:
        assert merged.sd == pytest.approx(direct.sd, rel=CLOSE, abs=CLOSE * (direct.max - direct.min) / 100)
    assert (merged.min, merged.max, merged.first, merged.last) == (direct.min, direct.max, direct.first, direct.last)


@given(series(), st.floats(0.01, 0.99))
def test_a_reading_shared_between_two_buckets_changes_nothing_when_they_are_merged(pairs, share):
    place = len(pairs) // 2
    x, w = pairs[place]
    head, tail = of(pairs[:place]), Moments()
    head.add(x, w * share, n=0)
    tail.add(x, w * (1.0 - share), n=1)
    for value, weight in pairs[place + 1 :]:
        tail.add(value, weight)
    head.merge(tail)
    direct = of(pairs)
    assert head.n == direct.n
    assert head.mean == pytest.approx(direct.mean, rel=CLOSE, abs=CLOSE * (direct.max - direct.min))
    if direct.sd is not None:
        assert head.sd == pytest.approx(direct.sd, rel=CLOSE, abs=CLOSE * (direct.max - direct.min) / 100)


@given(series(), st.floats(1e-3, 1e3))
def test_the_unit_of_the_weights_does_not_matter(pairs, factor):
    one, other = of(pairs), of([(x, w * factor) for x, w in pairs])
    assert other.mean == pytest.approx(one.mean, rel=CLOSE, abs=CLOSE * (one.max - one.min))
    if one.sd is not None:
        assert other.sd == pytest.approx(one.sd, rel=1e-11, abs=CLOSE * (one.max - one.min))


def test_nothing_has_no_mean_and_one_reading_no_deviation():
    m = Moments()
    assert (m.mean, m.sd, m.n) == (None, None, 0)
    m.add(4.8, 0.1)
    assert (m.mean, m.sd, m.n) == (4.8, None, 1)


def test_equal_values_have_exactly_no_deviation():
    m = of([(4.8001, 0.1)] * 1000)
    assert (m.mean, m.sd) == (4.8001, 0.0)


def test_statistics_go_through_json():
    m = of([(4.8, 0.1), (4.9, 0.2)])
    assert msgspec.json.decode(msgspec.json.encode(m), type=Moments) == m


def test_values_too_far_apart_to_be_squared_give_no_deviation_rather_than_infinity():
    m = of([(-1e200, 1.0), (1e200, 1.0)])
    assert m.sd is None
