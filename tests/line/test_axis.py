"""The length axis: one mark has one metre at every station, through everything a counter can do."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metrepost.line.axis import LengthAxis
from metrepost.line.plan import AxisPlan
from metrepost.readings import BAD, Reading

PLAN = AxisPlan(counter="c.length", speed="c.speed", reference=66.0, wraps_at=100_000.0, resolution=0.01, max_speed=5.0)
STATIONS = {"hot": 1.5, "cold": 61.5, "spark": 70.0}
POLL = 0.02


class Line:
    """A line that moves at a speed profile, with a counter that can be disturbed."""

    def __init__(self, axis, start=1000.0, speed=1.0, time=1000.0):
        self.axis, self.time, self.true, self.speed = axis, time, start, speed
        self.offset = 0.0
        self.frozen = None
        self.events = []

    def raw(self):
        if self.frozen is not None:
            return self.frozen
        raw = math.floor((self.true + self.offset) / 0.01 + 1e-9) * 0.01
        return raw % 100_000.0

    def step(self, *, lost=False):
        self.time += POLL
        self.true += self.speed * POLL
        self.axis.speed(Reading("c.speed", self.time, self.speed * 60))
        reading = Reading("c.length", self.time, self.raw(), time_uncertainty=0.001)
        if lost:
            reading = Reading("c.length", self.time, math.nan, BAD, "timeout", 0.001)
        told = self.axis.counter(reading)
        self.events += told
        return told

    def run(self, seconds):
        for _ in range(round(seconds / POLL)):
            self.step()

    def metre(self, station):
        return self.axis.place(self.time).length + PLAN.reference - STATIONS[station]


def follow_mark(line, disturb, *, at=20.0):
    """Walk a mark from the hot to the cold gauge to the spark tester; the metre each gives it."""
    start = line.true
    seen = {}
    disturbed = False
    for station, position in sorted(STATIONS.items(), key=lambda s: s[1]):
        while line.true - start < position - STATIONS["hot"]:
            line.step()
            if not disturbed and line.true - start > at:
                disturb(line)
                disturbed = True
        # carry the axis to the very moment at which the mark is there
        late = (line.true - start) - (position - STATIONS["hot"])
        seen[station] = line.metre(station) - late
    return seen


def zero(line):
    line.offset = -line.true


def jump(line):
    line.offset += 37.0


def nothing(line):
    pass


@pytest.mark.parametrize("speed", [20, 80, 250])
@pytest.mark.parametrize("disturb", [nothing, zero, jump], ids=lambda f: f.__name__)
def test_a_mark_has_the_same_metre_at_every_station(speed, disturb):
    line = Line(LengthAxis(PLAN), speed=speed / 60)
    line.run(2)
    seen = follow_mark(line, disturb)
    for station, metre in seen.items():
        allowed = PLAN.registration.between(STATIONS[station] - STATIONS["hot"], speed / 60)
        assert abs(metre - seen["hot"]) <= allowed
    assert [e.what for e in line.events] == ([] if disturb is nothing else ["discontinuity"])


@pytest.mark.parametrize("speed", [20, 80, 250])
def test_a_wrap_is_followed_exactly(speed):
    line = Line(LengthAxis(PLAN), start=99_980.0, speed=speed / 60)
    line.run(0.5)
    seen = follow_mark(line, nothing)
    assert [e.what for e in line.events] == ["wrap"]
    assert abs(seen["spark"] - seen["hot"]) <= 0.03


@pytest.mark.parametrize("downtime", [5.0, 60.0])
@pytest.mark.parametrize("speed", [20, 80, 250])
def test_after_a_restart_the_metre_is_exact_when_the_counter_agrees(speed, downtime):
    line = Line(LengthAxis(PLAN), speed=speed / 60)
    line.run(2)
    saved = line.axis.snapshot()
    before = line.metre("hot")
    line.time += downtime
    line.true += downtime * line.speed
    line.axis = LengthAxis(PLAN)
    line.axis.restore(saved)
    told = line.step()
    assert [e.what for e in told] == ["restart"]
    assert line.metre("hot") - before == pytest.approx((downtime + POLL) * speed / 60, abs=0.02)
    assert told[0].metre_uncertainty == pytest.approx(0.0, abs=0.011)


def test_after_a_restart_a_counter_that_was_zeroed_leaves_the_metre_uncertain():
    line = Line(LengthAxis(PLAN), speed=1.0)
    line.run(2)
    saved = line.axis.snapshot()
    line.time += 10
    line.true += 10
    line.offset = -line.true
    line.axis = LengthAxis(PLAN)
    line.axis.restore(saved)
    told = line.step()
    assert "cannot be" in told[0].explanation
    assert told[0].metre_uncertainty > 10


def test_a_counter_that_stands_while_the_line_runs_is_told_and_bridged_by_speed():
    line = Line(LengthAxis(PLAN), speed=1.0)
    line.run(2)
    hot = line.metre("hot")
    line.frozen = line.raw()
    line.run(10)
    assert [e.what for e in line.events] == ["standing"]
    assert line.axis.standing
    assert line.metre("hot") - hot == pytest.approx(10, abs=0.05)
    assert line.axis.place(line.time).uncertainty > 5
    line.frozen = None
    line.step()
    assert not line.axis.standing
    assert line.metre("hot") - hot == pytest.approx(10, abs=0.1)


def test_reverse_motion_within_the_limit_is_followed_and_told_once():
    line = Line(LengthAxis(PLAN), speed=1.0)
    line.run(1)
    before = line.metre("cold")
    line.speed = -1.0
    line.run(0.3)
    assert line.metre("cold") == pytest.approx(before - 0.3, abs=0.02)
    assert [e.what for e in line.events] == ["reverse"]


def test_a_late_answer_is_no_jump():
    """The step over a long, uncertain interval is believed when max_speed times the uncertainty of both samples covers it."""
    axis = LengthAxis(PLAN)
    axis.speed(Reading("c.speed", 0.0, 60.0))
    axis.counter(Reading("c.length", 0.0, 100.0, time_uncertainty=0.001))
    told = axis.counter(Reading("c.length", 0.02, 100.9, time_uncertainty=0.25))
    assert told == []


def test_lost_counter_readings_leave_the_axis_on_speed():
    line = Line(LengthAxis(PLAN), speed=2.0)
    line.run(1)
    hot = line.metre("hot")
    for _ in range(25):
        line.step(lost=True)
    assert line.metre("hot") - hot == pytest.approx(1.0, abs=0.03)


def test_speed_alone_is_integrated():
    axis = LengthAxis(AxisPlan(speed="c.speed", reference=66.0))
    for i in range(501):
        axis.speed(Reading("c.speed", i * 0.02, 60.0))
    assert axis.place(10.0).length == pytest.approx(10.0, abs=1e-9)


@given(
    speeds=st.lists(st.floats(0.0, 4.5), min_size=20, max_size=60),
    lost=st.sets(st.integers(0, 59), max_size=15),
)
@settings(max_examples=60, deadline=None)
def test_the_axis_never_goes_back_when_the_line_does_not_and_stays_with_the_counter(speeds, lost):
    line = Line(LengthAxis(PLAN), start=5.0)
    line.step()
    last = line.axis.place(line.time).length
    for i, speed in enumerate(speeds):
        line.speed = speed
        line.step(lost=i in lost)
        if i not in lost:
            length = line.axis.place(line.time).length
            assert length >= last - 1e-9
            assert abs(length - line.true) <= 0.011
            last = length
    assert [e for e in line.events if e.what != "standing"] == []
