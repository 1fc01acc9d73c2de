"""Buckets of length and time: exact boundaries, nothing lost, nothing counted twice."""

import itertools
import json
import math
from typing import ClassVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metrepost.line.plan import RollupPlan
from metrepost.readings import BAD, GOOD, UNCERTAIN, Hold, Tag
from metrepost.rollups import RollupBook
from metrepost.rollups.bucket import Span
from support_rollups import BORE, START, book, exact, measured, metres, run

NAN = float("nan")


def data(out):
    return [item.data for item in out]


def test_a_bucket_says_where_when_and_how_much():
    told = run(book(), [4.80, *[4.81, 4.79] * 60])
    assert len(told) == 1
    r = told[0]
    assert (r.span, r.station, r.tag, r.unit) == ("10m", "cold-gauge", "cold-gauge.diameter", "mm")
    assert (r.start, r.end, r.n) == (0.0, 10.0, 100)
    assert (r.metres_good, r.metres_uncertain, r.metres_bad, r.metres_left_out) == pytest.approx(
        (10.0, 0.0, 0.0, 0.0), abs=1e-9
    )
    assert (r.min, r.max, r.first, r.last) == (4.79, 4.81, 4.81, 4.79)
    assert r.mean == pytest.approx(4.80, rel=1e-12)
    assert r.sd == pytest.approx(0.01 * math.sqrt(100 / 99), rel=1e-9)
    assert (r.opened, r.closed) == ("2026-05-28T20:26:40.000000Z", "2026-05-28T20:26:50.000000Z")
    assert r.pp is None and r.cp is None


def test_a_piece_over_a_boundary_is_shared_out_by_length():
    b = book()
    b.reading(measured(9.0, 0.0), "p")
    b.reading(measured(9.75, 0.1, 2.0), "p")
    (r,) = data(b.reading(measured(10.75, 0.2, 6.0), "p"))
    # 9.0 to 9.75 is 2.0, and 9.75 to 10.0 is 6.0
    assert r.mean == pytest.approx((0.75 * 2.0 + 0.25 * 6.0) / 1.0, rel=1e-12)
    assert (r.n, r.metres_good, r.metres_left_out) == (1, 1.0, 9.0)
    (r,) = data(b.reading(measured(20.0, 0.3, 7.0), "p"))
    assert r.mean == pytest.approx((0.75 * 6.0 + 9.25 * 7.0) / 10.0, rel=1e-12)
    assert r.n == 2


def test_a_reading_that_ends_on_the_boundary_closes_the_bucket_and_counts_in_it():
    b = book()
    b.reading(measured(0.0, 0.0), "p")
    for i in range(1, 40):
        assert b.reading(measured(0.25 * i, 0.05 * i), "p") == []
    (r,) = data(b.reading(measured(10.0, 2.0), "p"))
    assert (r.n, r.metres_left_out) == (40, 0.0)


def test_a_reading_whose_last_moments_round_to_its_end_is_counted_all_the_same():
    """It ends a hair's breadth behind a metre, exactly on a boundary of time."""
    b = book(times=[("1s", 1.0)])
    out = []
    for time, metre in ((0.0, 1e-7), (0.25, 1e-7), (0.5, 1e-7), (0.75, 1e-7), (1.0, 1.0 + 1e-7)):
        out += b.reading(measured(metre, time), "p")
    assert [r.n for r in data(out)] == [4]


@pytest.mark.parametrize(
    ("quality", "value", "share"), [(BAD, NAN, "metres_bad"), (UNCERTAIN, 9.0, "metres_uncertain"), (GOOD, NAN, "metres_bad")]
)
def test_what_is_not_good_is_measured_out_but_has_no_say(quality, value, share):
    b = book()
    b.reading(measured(0.0, 0.0), "p")
    b.reading(measured(4.0, 0.1, 1.0), "p")
    b.reading(measured(6.0, 0.2, value, quality), "p")
    (r,) = data(b.reading(measured(10.0, 0.3, 1.0), "p"))
    assert (getattr(r, share), r.metres_good, r.n, r.mean, r.max) == (2.0, 8.0, 2, 1.0, 1.0)


def test_an_instant_reading_does_not_stand_for_cable_of_a_long_silence():
    b = book(lengths=[("100m", 100.0)])
    b.reading(measured(0.0, 0.0), "p")
    b.reading(measured(50.0, 5.0, 2.0), "p")  # three intervals of 0.1 s at 10 m/s are 3 m
    (r,) = data(b.reading(measured(100.0, 10.0, 2.0), "p"))
    assert (r.metres_good, r.metres_left_out) == pytest.approx((6.0, 94.0))
    assert (r.n, r.mean) == (2, 2.0)


def test_cable_that_stands_brings_nothing_to_length_and_everything_to_time():
    b = book(times=[("10s", 10.0)])
    b.reading(measured(5.0, 0.0), "p")
    b.reading(measured(5.1, 0.1, 1.0), "p")
    out = []
    for i in range(2, 101):
        out += b.reading(measured(5.1, 0.1 * i, 3.0), "p")
    (r,) = data(out)
    assert (r.span, r.n, r.start, r.end) == ("10s", 100, 5.0, 5.1)
    assert r.mean == pytest.approx(0.01 * 1.0 + 0.99 * 3.0)
    assert r.metres_good == pytest.approx(0.1)
    (r,) = data(b.reading(measured(10.0, 10.2, 1.0), "p"))
    assert (r.span, r.n, r.max) == ("10m", 2, 1.0)


def test_reverse_motion_brings_no_new_cable():
    b = book()
    for i, metre in enumerate([0.0, 1.0, 2.0, 1.5, 1.0, 1.8, 2.5, 10.0]):
        out = b.reading(measured(metre, 0.1 * i), "p")
    (r,) = data(out)
    assert metres(r) == pytest.approx(10.0, abs=1e-12)
    assert (r.n, r.metres_good) == (4, 10.0)


PEAK = Tag(name="cold-gauge.x_max", station="cold-gauge", ucum="mm", hold=Hold.MAX, since_read=True, interval=0.1)


def peak(metre, since, time, value=1.0, quality=GOOD, covered=True):
    """A since-read register of a gauge with 2 mm aperture."""
    return measured(metre, time, value, quality, start=since - 0.001, end=metre + 0.001, covered=covered, tag=PEAK.name)


def test_a_register_that_holds_stands_for_the_piece_it_says():
    b = book(tag=PEAK)
    b.reading(peak(0.0, 0.0, 0.0), "p")
    b.reading(peak(2.0, 0.0, 0.2, 5.0), "p")
    b.reading(peak(5.0, 4.0, 0.5, 7.0), "p")  # the reading of 2 m to 4 m was lost
    (r,) = data(b.reading(peak(10.0, 5.0, 1.0, 7.0), "p"))
    assert (r.metres_good, r.metres_left_out) == pytest.approx((8.0, 2.0))
    assert r.mean == pytest.approx((2.0 * 5.0 + 6.0 * 7.0) / 8.0)
    assert r.n == 3


def test_a_retried_answer_that_covers_nothing_is_left_out():
    b = book(tag=PEAK)
    b.reading(peak(0.0, 0.0, 0.0), "p")
    b.reading(peak(4.0, 0.0, 0.4, 5.0, covered=False), "p")
    (r,) = data(b.reading(peak(10.0, 4.0, 1.0, 7.0), "p"))
    assert (r.metres_good, r.metres_left_out, r.n, r.mean) == pytest.approx((6.0, 4.0, 1, 7.0))


def test_a_window_shorter_than_the_interval_covers_its_own_part_on_both_axes():
    tag = Tag(name="cold-gauge.x_max", station="cold-gauge", hold=Hold.MAX, window=0.05, interval=0.1)
    b = book(tag=tag, times=[("1s", 1.0)])
    out = []
    for i in range(101):
        out += b.reading(measured(0.1 * i, 0.1 * i, start=0.1 * i - 0.05, end=0.1 * i, tag=tag.name), "p")
    seconds = [r for r in data(out) if r.span == "1s"]
    (length,) = [r for r in data(out) if r.span == "10m"]
    assert (length.metres_good, length.metres_left_out) == pytest.approx((5.0, 5.0))
    assert len(seconds) == 10
    assert seconds[3].metres_good == pytest.approx(0.5)


class TestCapability:
    LIMITS: ClassVar = {"p": (4.75, 4.85), "q": (4.65, 4.75)}

    def test_overall_and_within_deviation_against_the_limits(self):
        values = [4.80, *[4.80 + 0.001 * (i % 7) + (0.01 if i > 500 else 0.0) for i in range(1000)]]
        (r,) = run(book(lengths=[("100m", 100.0)], limits=self.LIMITS), values)
        mean, sd = exact([(x, 1.0) for x in values[1:]])
        assert r.pp == pytest.approx(0.10 / (6 * sd), rel=1e-9)
        assert r.ppk == pytest.approx(min(4.85 - mean, mean - 4.75) / (3 * sd), rel=1e-9)
        means = [sum(values[1 + 10 * k : 11 + 10 * k]) / 10 for k in range(100)]
        within = sum(abs(b - a) for a, b in itertools.pairwise(means)) / 99 / 1.128
        assert r.cp == pytest.approx(0.10 / (6 * within), rel=1e-9)
        assert r.cpk == pytest.approx(min(4.85 - mean, mean - 4.75) / (3 * within), rel=1e-9)

    def test_two_products_in_one_bucket_have_no_common_limits(self):
        b = book(limits=self.LIMITS)
        b.reading(measured(0.0, 0.0), "p")
        b.reading(measured(5.0, 0.1, 4.8), "p")
        (r,) = data(b.reading(measured(10.0, 0.2, 4.7), "q"))
        assert (r.pp, r.ppk, r.cp, r.cpk) == (None, None, None, None)
        out = []
        for i in range(1, 11):
            out += b.reading(measured(10.0 + i, 0.2 + 0.1 * i, 4.7 + 0.001 * i), "q")
        assert data(out)[0].ppk is not None

    def test_no_difference_is_taken_across_a_gap(self):
        b = book(lengths=[("4m", 4.0)], limits=self.LIMITS)
        b.reading(measured(0.0, 0.0), "p")
        b.reading(measured(1.0, 0.1, 4.80), "p")
        b.reading(measured(2.0, 0.2, 4.81), "p")
        b.reading(measured(3.0, 0.3, NAN, BAD), "p")
        (r,) = data(b.reading(measured(4.0, 0.4, 4.99), "p"))
        assert r.cp == pytest.approx(0.10 / (6 * 0.01 / 1.128), rel=1e-9)

    def test_a_metre_that_lies_in_two_buckets_has_no_part_in_the_deviation_within_of_either(self):
        b = book(lengths=[("2.5m", 2.5)], limits=self.LIMITS)
        b.reading(measured(0.0, 0.0), "p")
        told = []
        for metre, value in enumerate([4.80, 4.81, 4.95, 4.80, 4.82], 1):
            for where in (metre - 0.5, float(metre)):
                told += b.reading(measured(where, 0.1 * where, value), "p")
        first, second = data(told)
        assert first.cp == pytest.approx(0.10 / (6 * 0.01 / 1.128), rel=1e-9)
        assert second.cp == pytest.approx(0.10 / (6 * 0.02 / 1.128), rel=1e-9)

    def test_a_constant_value_has_no_capability(self):
        (r,) = run(book(limits=self.LIMITS), [4.8] * 101)
        assert (r.sd, r.pp, r.ppk, r.cp, r.cpk) == (0.0, None, None, None, None)


class TestClosingOnTime:
    def test_time_buckets_of_a_silent_tag_close_on_the_tick_after_the_grace(self):
        b = book(lengths=(), times=[("10s", 10.0)])
        b.reading(measured(0.0, 0.0), "p")
        b.reading(measured(0.1, 0.1, 3.0), "p")
        assert b.tick(START + 12.0) == []
        (r,) = data(b.tick(START + 12.5))
        assert (r.n, r.mean, r.opened[-11:], r.closed[-11:]) == (1, 3.0, ":40.000000Z", ":50.000000Z")
        (r,) = data(b.tick(START + 22.5))
        assert (r.n, r.mean, r.min, r.metres_good, r.metres_left_out) == (0, None, None, 0.0, 0.0)

    def test_a_reading_within_the_grace_still_finds_its_bucket_and_a_later_one_is_counted(self):
        b = book(lengths=(), times=[("10s", 10.0)])
        b.reading(measured(0.0, 9.5), "p")
        b.tick(START + 11.5)
        (r,) = data(b.reading(measured(0.6, 10.1, 3.0), "p"))
        assert r.n == 0 and r.mean == 3.0  # the part before the boundary; it counts where it ends
        b.tick(START + 23.0)
        assert b.reading(measured(1.0, 15.0, 4.0), "p") == []
        assert b.dropped["left_late"] == 1

    def test_length_buckets_of_a_silent_tag_close_once_the_cable_is_past_and_say_left_out(self):
        b = book()
        b.reading(measured(0.0, 0.0), "p")
        b.reading(measured(4.0, 0.1, 3.0), "p")
        out = []
        for i in range(80):
            out += b.tick(START + 0.5 * i, lambda _, metre=4.0 + 0.5 * i: metre)
        first, second, third = data(out)[:3]
        assert (first.n, first.metres_good, first.metres_left_out) == (1, 4.0, 6.0)
        assert (second.n, second.metres_left_out, second.mean) == (0, 10.0, None)
        assert (third.start, third.end) == (20.0, 30.0)

    def test_a_long_hole_is_not_told_bucket_by_bucket(self):
        b = book(times=[("10s", 10.0)])
        b.reading(measured(0.0, 0.0), "p")
        b.reading(measured(1.0, 0.1), "p")
        out = b.reading(measured(60_000.0, 7200.0), "p")
        assert len(out) < 10
        assert b.dropped["skipped"] == 5998 + 718
        after = [data(b.reading(measured(60_000.0 + i, 7200.0 + 0.1 * i), "p")) for i in range(1, 11)][-1]
        assert [(r.start, r.metres_good) for r in after] == [(60_000.0, 10.0)]

    def test_a_value_reported_on_change_stands_until_the_next_one(self):
        b = book(lengths=[("100m", 100.0)], times=[("10s", 10.0)], held=[BORE.name])
        b.reading(measured(0.0, 0.0, 40.0), "p")
        b.reading(measured(30.0, 3.0, 44.0), "p")
        out = data(b.reading(measured(100.0, 10.0, 99.0), "p"))
        assert [r.span for r in out] == ["100m", "10s"]
        for r in out:
            assert r.mean == pytest.approx(0.3 * 40.0 + 0.7 * 44.0)
            assert r.metres_good == pytest.approx(100.0)

    def test_a_held_value_fills_a_span_of_hours_on_a_standing_line(self):
        b = book(lengths=(), times=[("8h", 28_800.0)], held=[BORE.name])
        b.tick(START, lambda _: 100.0)
        b.reading(measured(100.0, 0.0, 40.0), "p")
        begin = -START % 28_800.0
        out = [r for i in range(1, 40) for r in data(b.tick(START + begin + i * 1000.0, lambda _: 100.0))]
        whole = out[-1]
        assert (whole.mean, whole.span, b.dropped["skipped"]) == (40.0, "8h", 0)

    def test_a_subscription_that_begins_with_a_value_of_an_hour_ago_stands_from_now_on(self):
        b = book(lengths=(), times=[("10s", 10.0)], held=[BORE.name])
        b.tick(START, lambda _: 100.0)
        b.reading(measured(3.0, -3000.0, 40.0), "p")
        out = []
        for i in range(1, 60):
            out += b.tick(START + 0.5 * i, lambda _, metre=100.0 + 0.5 * i: metre)
        first, second = data(out)
        assert (first.mean, second.mean, first.opened[-11:]) == (40.0, 40.0, ":40.000000Z")
        assert 100.0 <= first.start < 101.0
        assert second.metres_good == pytest.approx(10.0)

    def test_a_held_value_that_comes_too_late_stands_from_then_on(self):
        b = book(lengths=(), times=[("10s", 10.0)], held=[BORE.name])
        b.reading(measured(0.0, 0.0, 40.0), "p")
        assert len(b.tick(START + 13.0)) == 1
        b.reading(measured(0.0, 9.0, 44.0), "p")
        (r,) = data(b.tick(START + 23.0))
        assert b.dropped["left_late"] == 1
        assert r.max == 44.0 and r.last == 44.0

    def test_a_held_value_does_not_stand_for_the_time_of_a_restart(self):
        one = book(lengths=[("100m", 100.0)], held=[BORE.name])
        one.reading(measured(0.0, 0.0, 40.0), "p")
        one.reading(measured(30.0, 3.0, 41.0), "p")
        again = book(lengths=[("100m", 100.0)], held=[BORE.name])
        again.restore(one.snapshot())
        again.reading(measured(80.0, 8.0, 42.0), "p")
        (r,) = data(again.reading(measured(100.0, 10.0, 43.0), "p"))
        assert (r.metres_good, r.metres_left_out) == (50.0, 50.0)
        assert r.mean == pytest.approx((30.0 * 40.0 + 20.0 * 42.0) / 50.0)

    def test_a_held_value_ends_with_its_source(self):
        b = book(lengths=[("100m", 100.0)], held=[BORE.name])
        b.reading(measured(0.0, 0.0, 40.0), "p")
        b.reading(measured(30.0, 3.0, NAN, BAD), "p")
        (r,) = data(b.reading(measured(100.0, 10.0, 99.0), "p"))
        assert (r.metres_good, r.metres_bad, r.mean) == (30.0, 70.0, 40.0)


# ---- properties ----------------------------------------------------------------------------------------------------------

steps = st.lists(
    st.tuples(
        st.floats(0.01, 0.29),  # seconds to the next reading; reach is 0.3 s
        st.one_of(st.just(0.0), st.floats(0.0, 3.0)),  # metres to it
        st.integers(-50, 50),
        st.sampled_from([GOOD, GOOD, GOOD, UNCERTAIN, BAD]),
    ),
    min_size=1,
    max_size=80,
)


def readings(drawn, first_metre):
    metre, time = first_metre, 0.0
    yield measured(metre, time)
    for seconds, length, value, quality in drawn:
        metre, time = metre + length, time + seconds
        yield measured(metre, time, 4.8 + value * 1e-3, quality)


LENGTHS = (("2.5m", 2.5), ("5m", 5.0), ("20m", 20.0))
TIMES = (("1s", 1.0), ("4s", 4.0))


def overlap(a, b, low, high):
    return max(0.0, min(b, high) - max(a, low))


@given(steps, st.floats(0.0, 1e5))
@settings(max_examples=150, deadline=None)
def test_every_bucket_holds_exactly_what_lies_in_it(drawn, first_metre):
    """Against a slow account that looks at every piece for every bucket."""
    b = book(LENGTHS, TIMES)
    series = list(readings(drawn, first_metre))
    told = [item for m in series for item in b.reading(m, "p")]
    pieces = list(itertools.pairwise(series))
    sizes = dict(LENGTHS + TIMES)
    for item in told:
        r, size = item.data, sizes[item.data.span]
        timed = r.span in dict(TIMES)
        assert metres(r) == pytest.approx(r.end - r.start, abs=1e-9)
        if timed:
            low, high = item.time, item.time + size
            assert low % size == 0.0
            spans = [(m, overlap(p.time, m.time, low, high), low < m.time <= high) for p, m in pieces]
        else:
            low, high = r.start, r.end
            assert (low % size, high - low) == (0.0, size)
            spans = [(m, overlap(p.metre, m.metre, low, high), low < m.metre <= high) for p, m in pieces]
            for quality, share in ((GOOD, r.metres_good), (UNCERTAIN, r.metres_uncertain), (BAD, r.metres_bad)):
                assert share == pytest.approx(math.fsum(w for m, w, _ in spans if m.quality is quality), abs=1e-9)
        if any(0.0 < w < 1e-9 for _, w, _ in spans):
            continue  # shorter than the metre is known to: rounding decides on which side it falls
        good = [(m, w, ends) for m, w, ends in spans if m.quality is GOOD and w > 0.0]
        assert (r.mean is None) == (not good)
        if good:
            n = sum(ends for _, _, ends in good)
            mean, sd = exact([(m.value, w) for m, w, _ in good], n)
            assert r.n == n
            assert r.mean == pytest.approx(mean, rel=1e-9)
            assert r.sd == (None if sd is None else pytest.approx(sd, rel=1e-4, abs=1e-9))
            assert (r.min, r.max) == (min(m.value for m, _, _ in good), max(m.value for m, _, _ in good))
            assert (r.first, r.last) == (good[0][0].value, good[-1][0].value)


@given(steps, st.floats(0.0, 1e5))
@settings(max_examples=80, deadline=None)
def test_buckets_follow_each_other_and_short_ones_add_up_to_long_ones(drawn, first_metre):
    b = book(LENGTHS, TIMES)
    told = data([item for m in readings(drawn, first_metre) for item in b.reading(m, "p")])
    for name in dict(LENGTHS + TIMES):
        row = [r for r in told if r.span == name]
        for before, after in itertools.pairwise(row):
            assert (after.start, after.opened) == (before.end, before.closed)
    fives = [r for r in told if r.span == "5m"]
    for long in [r for r in told if r.span == "20m"]:
        inside = [r for r in fives if long.start <= r.start and r.end <= long.end]
        if len(inside) < 4:
            continue  # the first one began before there were short ones
        for field in ("n", "metres_good", "metres_uncertain", "metres_bad", "metres_left_out"):
            assert sum(getattr(r, field) for r in inside) == pytest.approx(getattr(long, field), abs=1e-9)
        good = [r for r in inside if r.mean is not None]
        if good:
            mean, _ = exact([(r.mean, r.metres_good) for r in good])
            assert long.mean == pytest.approx(mean, rel=1e-12)


@given(steps, st.integers(0, 80))
@settings(max_examples=60, deadline=None)
def test_a_restart_in_the_middle_changes_nothing(drawn, place):
    series = list(readings(drawn, 3.0))
    straight, broken = book(LENGTHS, TIMES), book(LENGTHS, TIMES)
    for i, m in enumerate(series):
        if i == place:
            saved = json.loads(json.dumps(broken.snapshot(), allow_nan=False))
            broken = book(LENGTHS, TIMES)
            assert broken.restore(saved) == []
        assert broken.reading(m, "p") == straight.reading(m, "p")
    assert broken.cut(series[-1].metre, "R1", START) == straight.cut(series[-1].metre, "R1", START)


anything = st.floats(allow_nan=True, allow_infinity=True)


@given(st.lists(st.tuples(anything, anything, anything, anything, anything, st.booleans()), max_size=20), st.sampled_from(Hold))
@settings(max_examples=150, deadline=None)
def test_nonsense_never_raises_and_never_leaves_json(rows, hold):
    tag = Tag(name=BORE.name, station="cold-gauge", hold=hold, since_read=hold is not Hold.INSTANT, interval=0.1)
    b = book(times=TIMES, tag=tag)
    for i, (time, value, metre, start, end, covered) in enumerate(rows):
        time = max(-1e9, min(1e9, time)) if time == time else time
        out = b.reading(measured(metre, time, value, start=start, end=end, covered=covered), "p")
        out += b.tick(START + i)
        json.dumps([str(item.data) for item in out])
        for item in out:
            for share in (item.data.metres_good, item.data.metres_left_out, item.data.mean or 0.0, item.data.sd or 0.0):
                assert math.isfinite(share)
    json.dumps(b.snapshot(), allow_nan=False)


@given(st.floats(-1e6, 1e6), st.sampled_from([0.1, 0.3, 0.7, 1.0, 2.5, 100.0]), st.booleans())
def test_every_place_lies_in_the_bucket_that_claims_it(place, size, on_boundary):
    span = Span("s", size)
    if on_boundary:
        place = round(place) * size  # where a division may round across
    k = span.index(place)
    assert k * size <= place < (k + 1) * size


# ---- the book ------------------------------------------------------------------------------------------------------------


def test_a_restart_with_other_spans_begins_anew_and_says_so():
    one = book()
    one.reading(measured(0.0, 0.0), "p")
    assert book(lengths=[("20m", 20.0)]).restore(one.snapshot()) == [BORE.name]
    assert book().restore({}) == [BORE.name]
    assert book().restore({"tags": {BORE.name: {"spans": "nonsense"}}}) == [BORE.name]


def test_a_tag_that_does_not_exist_is_refused():
    with pytest.raises(ValueError, match=r"no\.such"):
        RollupBook(RollupPlan(tags=("no.such",)), {})


@pytest.mark.parametrize("size", [0.0, -1.0, NAN, math.inf])
def test_a_span_without_size_is_refused(size):
    with pytest.raises(ValueError, match="above 0"):
        book(lengths=[("x", size)])


def test_other_tags_are_ignored():
    assert book().reading(measured(0.0, 0.0, tag="other.tag"), "p") == []


def test_memory_is_bounded_over_a_long_run():
    b = book(lengths=[("100m", 100.0)], uncut=50)
    sizes = []
    for metre in range(6000):
        b.reading(measured(float(metre), 0.1 * metre), "p")
        if metre in (2000, 5999):
            sizes.append(len(json.dumps(b.snapshot())))
    assert sizes[1] < 1.2 * sizes[0]
