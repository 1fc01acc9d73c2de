import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metrepost.readings import GOOD
from metrepost.rules.rate import Slope
from support_rules import check_rule, conditions, feed, refusals, rule_of, shape, silence, stream

RATE = {
    "kind": "rate",
    "class": "process",
    "reads": "trough.water",
    "over": "1 min",
    "rising": {"at": "2 degC/min", "priority": "high"},
    "falling": {"at": "1 degC/min"},
    "deadband": "0.5 K/min",
}


def ramp(start, per_minute, seconds):
    return [start + per_minute / 60.0 * i for i in range(seconds)]


def water(values, **keys):
    return stream("trough.water", values, every=1.0, step=1.0, **keys)


def test_rising_too_fast_and_back():
    values = [25.0] * 90 + ramp(25.0, 3.0, 120) + [31.0] * 120
    up, down = conditions(feed(rule_of(RATE), water(values)))
    assert (up.limit, up.active, up.unit, up.bound) == ("rising", True, "degC/min", pytest.approx(2.0))
    assert up.value > 2.0
    assert up.explanation.startswith("rising at 2.0")
    assert "degC/min over 60 s, faster than 2.000 degC/min since metre" in up.explanation
    assert not down.active
    assert down.value <= 1.5


def test_a_slow_rise_is_nothing_and_falling_has_its_own_limit():
    assert feed(rule_of(RATE), water(ramp(25.0, 1.9, 300))) == []
    assert shape(feed(rule_of(RATE), water(ramp(25.0, -1.9, 300)))) == [("falling", True)]


def test_one_wild_reading_is_no_rate():
    values = [25.0] * 100 + [26.0] + [25.0] * 100
    assert feed(rule_of(RATE), water(values)) == []


def test_limits_may_be_in_other_units_than_the_tag():
    rule = rule_of(RATE | {"rising": {"at": "0.05 K/s"}})
    assert shape(feed(rule, water(ramp(25.0, 2.9, 200)))) == []
    assert shape(feed(rule, water(ramp(25.0, 3.1, 200), start=1000.0))) == [("rising", True)]


def test_a_value_that_stands_stops_rising():
    rule = rule_of(RATE)
    rise = water(ramp(25.0, 3.0, 120))
    assert shape(feed(rule, rise)) == [("rising", True)]
    assert shape(feed(rule, silence(60.0, rise))) == [("rising", False)]


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-1e3, 1e3), min_size=10, max_size=120), st.sampled_from([0.7, 1.0, 1.9]))
def test_slope_agrees_with_a_straight_line_fit(values, every):
    """Against numpy.polyfit of degree 1 over the points of the window, on every prefix."""
    slope = Slope(60.0)
    for i, value in enumerate(values):
        slope.add(i * every, value, GOOD)
        times = np.arange(i + 1) * every
        inside = times >= times[-1] - 60.0 - 1e-9
        got = slope.get()
        if times[-1] < 48.0 + 1e-9:
            assert got is None or times[-1] > 48.0 - 1e-9
        else:
            expected = np.polyfit(times[inside], np.array(values[: i + 1])[inside], 1)[0]
            assert got is not None
            assert got[0] == pytest.approx(expected, abs=1e-6)


def test_fast_readings_share_points_and_the_slope_stays_right():
    dice, slope = random.Random(3), Slope(60.0)
    for i in range(12_000):
        slope.add(i * 0.02, 100.0 + 0.25 * i * 0.02 + dice.gauss(0.0, 0.01), GOOD)
    assert len(slope.snapshot()) <= 130
    assert slope.get()[0] == pytest.approx(0.25, abs=1e-4)


def test_contract_battery():
    values = [25.0] * 90 + ramp(25.0, 3.0, 60) + [None] * 5 + ramp(28.25, 3.0, 30) + [29.7] * 150
    check_rule(lambda: rule_of(RATE | {"on_delay": "5 s", "off_delay": "10 s"}), water(values, ticks=True))


REFUSED = [
    ({"over": "0 s"}, "over", "must be more than 0 s; write a window such as 2 min"),
    ({"rising": {}}, "rising", 'needs its own setpoint, such as at = "2 degC/min"'),
    ({"rising": {"at": "2 degC"}}, "rising.at", "2 degC has the wrong dimension; the tag is in degC/s"),
    (
        {"falling": {"at": "-2 degC/min"}},
        "falling.at",
        "-2 degC/min must be more than 0: it is how fast the value may go falling",
    ),
    ({"deadband": "3 degC/min"}, "deadband", "3 degC/min is wider than rising 2 degC/min: the alarm could not return"),
    ({"deadband": "-1 degC/min"}, "deadband", "-1 degC/min is negative; it is the distance inside the limit, 0 or more"),
]


@pytest.mark.parametrize(("keys", "key", "sentence"), REFUSED)
def test_what_does_not_fit_is_refused_in_a_sentence(keys, key, sentence):
    from support_rules import FakeSite, settings_of

    site = FakeSite()
    settings_of(RATE | keys).build("rule", site)
    assert (key, sentence) in [(k, wrong) for k, wrong, _ in site.failures]


def test_a_rate_without_limits_is_refused():
    assert refusals({k: v for k, v in RATE.items() if k not in ("rising", "falling")}) == {
        "": "a rate needs at least one limit"
    }
