import pytest

from metrepost.readings.units import Extent
from metrepost.rules.delays import Change, Delay

METRES, SECONDS = Extent(metres=2.0), Extent(seconds=3.0)


def run(delay, steps):
    """``(beyond, clear, time, metre)`` -> changes with their index."""
    return [(i, change) for i, step in enumerate(steps) if (change := delay.step(*step)) is not None]


def test_without_delays_every_crossing_tells():
    steps = [(True, False, 0, 0), (False, True, 1, 0), (True, False, 2, 0)]
    assert run(Delay(None, None), steps) == [(0, Change.ON), (1, Change.OFF), (2, Change.ON)]


def test_within_the_deadband_neither_raises_nor_returns():
    delay = Delay(None, None)
    assert run(delay, [(False, False, 0, 0)]) == []
    delay.step(True, False, 1, 0)
    assert run(delay, [(False, False, 2, 0)]) == []
    assert delay.active


def test_one_value_inside_starts_the_on_delay_anew():
    steps = [
        (True, False, 0, 0.0),
        (True, False, 1, 1.9),
        (False, False, 2, 1.95),
        (True, False, 3, 2.0),
        (True, False, 4, 4.0),
    ]
    delay = Delay(METRES, None)
    assert run(delay, steps) == [(4, Change.ON)]
    assert (delay.since_time, delay.since_metre) == (3, 2.0)


def test_one_value_in_the_deadband_starts_the_off_delay_anew():
    delay = Delay(None, SECONDS)
    delay.step(True, False, 0, 0)
    steps = [(False, True, 1, 0), (False, False, 3, 0), (False, True, 4, 0), (False, True, 6, 0), (False, True, 7, 5.0)]
    assert run(delay, steps) == [(4, Change.OFF)]
    assert (delay.clear_time, delay.clear_metre) == (4, 0)


def test_lengths_count_cable_and_not_time():
    delay = Delay(METRES, METRES)
    assert run(delay, [(True, False, t, 10.0) for t in range(1000)]) == []
    assert run(delay, [(True, False, 1001, 12.0)]) == [(0, Change.ON)]


def test_an_off_delay_does_not_count_what_was_held():
    delay = Delay(None, SECONDS)
    delay.step(True, False, 0, 0)
    delay.step(False, True, 1, 0)
    delay.hold()
    assert run(delay, [(False, True, 100, 0), (False, True, 102, 0), (False, True, 103, 0)]) == [(2, Change.OFF)]


def test_an_on_delay_counts_what_was_held_between_two_values_beyond():
    delay = Delay(SECONDS, None)
    delay.step(True, False, 0, 0)
    delay.hold()
    assert run(delay, [(True, False, 100, 0)]) == [(0, Change.ON)]


@pytest.mark.parametrize("base", [0.0, 1_800_000_000.0])
def test_a_delay_is_not_missed_by_a_rounding(base):
    """0.1 s steps at the size of present times: the thirtieth step must end 3 s."""
    delay = Delay(SECONDS, None)
    assert run(delay, [(True, False, base + 0.1 * i, 0.0) for i in range(31)]) == [(30, Change.ON)]


def test_drop_tells_whether_something_was_active():
    delay = Delay(None, None)
    assert delay.drop() is False
    delay.step(True, False, 0, 0)
    assert delay.drop() is True
    assert delay.drop() is False
