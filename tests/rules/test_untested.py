import pytest

from metrepost.readings import BAD
from metrepost.rules.contract import Told
from support_rules import FakeView, Step, check_rule, conditions, feed, measured, refusals, rule_of, stream

RULE = {
    "kind": "untested",
    "class": "product",
    "voltage": "spark-tester.voltage",
    "voltage_on": "spark-tester.voltage_on",
    "required": "3.0 kV",
    "electrode": "100 mm",
    "rule": "9-cycles",
    "frequency": "3 kHz",
}


def stretches(found):
    return [f.data for f in found if isinstance(f, Told)]


def test_voltage_below_what_is_required_is_an_untested_stretch():
    found = feed(rule_of(RULE), stream("spark-tester.voltage", [3.5] * 100 + [2.0] * 40 + [3.5] * 20))
    opened, closed = stretches(found)
    assert (opened.open, closed.open) == (True, False)
    assert opened.start == pytest.approx(100 * 0.025 - 0.1)  # from the last good metre, electrode included
    assert closed.end == pytest.approx(141 * 0.025)
    up, down = conditions(found)
    assert "2.0000 kV below the 3.0000 kV required" in up.explanation or "below the" in up.explanation
    assert "9 cycles of 3 kHz in 100 mm" in closed.explanation
    assert (up.active, down.active) == (True, False)


def test_switched_off_is_untested_whatever_the_voltmeter_says():
    steps = stream("spark-tester.voltage_on", [1.0, 0.0]) + stream("spark-tester.voltage", [3.5] * 5, start=1.0)
    found = feed(rule_of(RULE), steps)
    assert conditions(found)[0].explanation == "high voltage is off"


def test_too_fast_for_the_rule_that_is_told():
    view = FakeView()
    view.speed = 100 / 60
    slow = rule_of(RULE | {"frequency": "50 Hz"})
    (up,) = conditions(feed(slow, stream("spark-tester.voltage", [3.5] * 3), view))
    assert up.explanation == "100 m/min above the 33 m/min that 9 cycles of 50 Hz in 100 mm allow"
    table = {k: v for k, v in RULE.items() if k != "frequency"} | {"rule": "residence", "residence": "50 ms"}
    assert conditions(feed(rule_of(table), stream("spark-tester.voltage", [3.5] * 3), view)) == []


def test_no_reading_is_no_test():
    steps = stream("spark-tester.voltage", [3.5] * 10)
    bad = Step(
        "pass",
        steps[-1].now,
        steps[-1].metre,
        measured("spark-tester.voltage", float("nan"), steps[-1].now, steps[-1].metre, quality=BAD, reason="timeout"),
    )
    found = feed(rule_of(RULE), [*steps, bad])
    assert "no good reading of spark-tester.voltage: timeout" in conditions(found)[0].explanation


def test_the_battery():
    check_rule(
        lambda: rule_of(RULE), stream("spark-tester.voltage", [3.5] * 50 + [2.0] * 40 + [3.5] * 50), bad_is_an_answer=True
    )


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"frequency": None}, "frequency"),
        ({"frequency": "3 rpm"}, "frequency"),
        ({"residence": "50 ms"}, "residence"),
        ({"required": "3 bar"}, "required"),
        ({"electrode": "0 mm"}, "electrode"),
        ({"rule": "residence", "frequency": None}, "residence"),
    ],
)
def test_refusals(changes, key):
    assert key in refusals({k: v for k, v in (RULE | changes).items() if v is not None})
