import numpy as np
import pytest

from metrepost_sim.counter import CounterFault, LengthCounter
from metrepost_sim.line import CoreLine
from metrepost_sim.making import profile
from metrepost_sim.motion import Motion, SpeedPoint
from metrepost_sim.scenario import Stop
from support_simulators import small


def motion(speed=80.0, duration=100.0, points=None):
    return Motion(points or (SpeedPoint(0.0, speed),), 1000.0, duration, speed)


def test_length_starts_where_it_is_told_and_grows_by_speed():
    moving = motion()
    begin, end = moving.counter(np.array([0.0, 90.0]))
    assert begin == pytest.approx(1000.0, abs=1e-9)
    assert end == pytest.approx(1000.0 + 90.0 * 80.0 / 60.0, abs=0.02)


def test_speed_is_the_derivative_of_length_through_ramps():
    moving = motion(points=profile(80.0, [Stop(20.0, 40.0)], 100.0))
    t = np.linspace(1.0, 95.0, 20_001)
    by_difference = np.gradient(moving.counter(t), t)
    assert np.abs(by_difference - moving.speed(t)).max() < 0.01


def test_a_stopped_line_stands_still_and_never_runs_backwards():
    moving = motion(points=profile(80.0, [Stop(20.0, 40.0, emergency=True)], 100.0))
    assert np.ptp(moving.counter(np.linspace(22.5, 39.9, 50))) < 1e-9
    assert np.diff(moving.counter(np.linspace(-50.0, 100.0, 100_000))).min() >= 0.0


@pytest.mark.parametrize("metre", [1000.5, 1013.0, 1040.0, 1090.0])
def test_the_moment_of_a_metre_is_found_again(metre):
    moving = motion(points=profile(80.0, [Stop(20.0, 40.0)], 100.0))
    at = moving.time_of(metre)
    assert moving.counter(np.array([at]))[0] == pytest.approx(metre, abs=1e-6)
    assert moving.counter(moving.time_at(np.array([metre])))[0] == pytest.approx(metre, abs=2e-3)


@pytest.mark.parametrize("points", [(), (SpeedPoint(0.0, -1.0),), (SpeedPoint(0.0, 1.0), SpeedPoint(0.0, 2.0))])
def test_a_profile_that_cannot_be_is_refused(points):
    with pytest.raises(ValueError, match="speed"):
        Motion(points, 0.0, 10.0, 10.0)


@pytest.mark.parametrize("speed", [20.0, 80.0, 250.0])
def test_one_mark_has_one_metre_at_every_station(speed):
    """Formula of the design: counter + (reference position - position of the station), at the moment the mark is there."""
    line = CoreLine(small(speed=speed, duration=400.0))
    mark = 1000.0 + 66.0
    for station in ("inner-extruder", "hot-gauge", "trough", "cold-gauge", "capstan", "spark-tester", "take-up"):
        position = line.file.place(station).position
        moment = line.motion.time_of(mark - (66.0 - position))
        assert line.counter.register(np.array([moment]))[0] + (66.0 - position) == pytest.approx(mark, abs=0.011)
        assert line.metre(station, np.array([moment]))[0] == pytest.approx(mark, abs=1e-6)


def test_a_mark_is_seen_where_it_is_by_every_gauge_and_the_spark_tester():
    """Not the formula again: the lump's own metre, from what the gauges see when the counter says so."""
    from metrepost_sim.scenario import Pinhole
    from support_simulators import ring

    line = CoreLine(small(ring(1070.0, height=0.2), pinholes=(Pinhole(1070.0),)))
    for name, gauge in line.gauges.items():
        seen = gauge.samples(0, 110_000)
        high = np.abs(seen.axes[0] - seen.base[0]) > 0.1
        t = np.flatnonzero(high).mean() / 1000.0
        counter = line.counter.register(np.array([t]))[0]
        assert counter + 66.0 - line.file.place(name).position == pytest.approx(1070.0, abs=0.02), name
    t = np.arange(0.0, 110.0, 0.01)
    stepped = t[np.flatnonzero(np.diff(line.value("spark-tester.faults", t)))]
    assert len(stepped) == 1
    assert line.counter.register(stepped)[0] + 66.0 - 70.0 == pytest.approx(1070.0, abs=0.05 + 0.02)


def shown(faults, t, wraps_at=0.0, start=1000.0):
    moving = Motion((SpeedPoint(0.0, 60.0),), start, 200.0, 60.0)
    return LengthCounter(moving, faults, wraps_at, 0.01).register(np.array(t))


def test_counter_wraps():
    before, after = shown((), [9.0, 11.0], wraps_at=100_000.0, start=99_990.0)
    assert before == pytest.approx(99_999.0, abs=0.05)
    assert after == pytest.approx(1.0, abs=0.05)


def test_counter_zero_jump_and_stand_add_up():
    faults = (CounterFault("zero", 10.0), CounterFault("jump", 20.0, 5.0), CounterFault("stand", 30.0, until=34.0))
    values = shown(faults, [9.99, 10.0, 19.9, 20.1, 31.0, 33.0, 44.0])
    assert values == pytest.approx([1010.0, 0.0, 9.9, 15.1, 25.0, 25.0, 35.0], abs=0.1)


def test_counter_has_its_resolution():
    values = shown((), np.linspace(0.0, 5.0, 500)) * 100.0
    assert np.abs(values - np.rint(values)).max() < 1e-6
