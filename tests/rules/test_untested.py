import json

import pytest

from metrepost.events import CounterEvent
from metrepost.readings import BAD, GOOD
from metrepost.rules.contract import Told
from support_rules import T0, FakeView, Step, check_rule, conditions, feed, measured, refusals, rule_of, silence, stream

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
    assert closed.end == pytest.approx(141 * 0.025 + 0.1)  # what lay in the electrode then had not all of its way
    up, down = conditions(found)
    assert "2.000 kV below the 3.000 kV required" in up.explanation
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
        steps[-1].now + 0.02,
        steps[-1].metre + 0.025,
        measured("spark-tester.voltage", float("nan"), steps[-1].now, steps[-1].metre + 0.025, quality=BAD, reason="timeout"),
    )
    found = feed(rule_of(RULE), [*steps, bad])
    assert "no good reading of spark-tester.voltage: timeout" in conditions(found)[0].explanation


V, ON = "spark-tester.voltage", "spark-tester.voltage_on"


class SparkLine:
    """A rule under one clock at 1.25 m/s, with ticks every 100 ms; metres are 1000 + 1.25 t."""

    def __init__(self, **changes):
        self.table = RULE | changes
        self.rule, self.view, self.found, self.t = rule_of(self.table), FakeView(), [], 0.0
        self.at(0.0)

    def at(self, t):
        self.t = t
        self.view.now, self.view.metre = T0 + t, 1000.0 + 1.25 * t

    def metre(self, t):
        return 1000.0 + 1.25 * t

    def read(self, tag, value, reason=""):
        quality = BAD if reason else GOOD
        m = measured(tag, value, self.view.now, self.view.metre, quality=quality, reason=reason)
        self.found += self.rule.pass_over(m, self.view) if reason else self.rule.judge(m, self.view)

    def run(self, until, every=None, voltage=3.5):
        """Ticks, and with `every` readings of both tags, until then."""
        last = self.t
        while self.t < until - 1e-9:
            self.at(round(self.t + 0.1, 6))
            self.found += self.rule.tick(self.view)
            if every is not None and self.t - last > every - 1e-9:
                self.read(ON, 1.0)
                self.read(V, voltage)
                last = self.t

    def restart(self, down, bridged=None, state=True):
        """The daemon is down for so long; then the counter says how much cable went by."""
        saved = json.loads(json.dumps(self.rule.snapshot()))
        self.rule = rule_of(self.table)
        if state:
            self.rule.restore(saved)
        self.at(self.t + down)
        moved = 1.25 * down if bridged is None else bridged
        event = CounterEvent(what="restart", before=0.0, after=moved, bridged=moved, metre=0.0, decided="", explanation="")
        self.found += self.rule.heard(event, self.view)

    def marks(self):
        """(from, to) of each stretch that has ended, and what opened it."""
        return [(s.start, s.end, s.explanation) for s in stretches(self.found) if not s.open]

    def states(self):
        return [c.active for c in conditions(self.found)]


def test_a_bad_switch_is_no_test():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.read(ON, 1.0)
    tester.run(5.5)
    tester.read(ON, float("nan"), reason="timeout")
    tester.run(7.0)
    tester.read(ON, 1.0)
    ((start, end, why),) = tester.marks()
    assert (start, end) == pytest.approx((tester.metre(5.0) - 0.1, tester.metre(7.0) + 0.1))
    assert why.startswith("no good reading of spark-tester.voltage_on: timeout")


def test_too_fast_is_seen_while_the_voltage_stands_still():
    tester = SparkLine(frequency="150 Hz")  # 100 m/min
    tester.run(1.0, every=0.5)
    tester.run(4.0)
    tester.view.speed = 120 / 60
    tester.run(6.0)
    tester.view.speed = 80 / 60
    tester.run(7.0)
    ((start, end, why),) = tester.marks()
    assert start == pytest.approx(tester.metre(4.0) - 0.1, abs=0.01)
    assert end == pytest.approx(tester.metre(6.1) + 0.1, abs=0.01)
    assert why.startswith("120 m/min above the 100 m/min")


def test_silence_is_an_untested_stretch_from_the_last_reading_on():
    tester = SparkLine(silence="2 s")
    tester.run(5.0, every=0.5)
    tester.run(6.9)
    assert tester.found == []
    tester.run(7.1)
    assert tester.states() == [True]
    tester.run(9.0)
    tester.read(ON, 1.0)
    assert tester.states() == [True], "the voltage is still silent"
    tester.read(V, 3.5)
    ((start, end, why),) = tester.marks()
    assert (start, end) == pytest.approx((tester.metre(5.0) - 0.1, tester.metre(9.0) + 0.1))
    assert why.startswith("no reading of spark-tester.voltage for 2 s")


def test_without_a_declared_silence_it_is_twelve_seconds():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.run(16.9)
    assert tester.found == []
    tester.run(17.3)
    assert tester.states() == [True]


def test_a_tester_that_is_never_heard_is_no_test():
    tester = SparkLine(silence="2 s")
    tester.run(1.9)
    assert tester.found == []
    tester.run(3.0)
    assert tester.states() == [True]
    assert stretches(tester.found)[0].start == pytest.approx(tester.metre(0.1) - 0.1)


def test_what_passed_while_the_daemon_was_down_is_untested_however_short():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.restart(down=3.0)
    assert tester.states() == [True]
    tester.run(8.2)
    tester.read(V, 3.5)
    tester.read(ON, 1.0)
    ((start, end, why),) = tester.marks()
    assert (start, end) == pytest.approx((tester.metre(5.0) - 0.1, tester.metre(8.2) + 0.1))
    assert "the daemon was down" in why


def test_so_it_is_when_the_state_of_the_rule_was_lost():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.restart(down=3.0, state=False)
    tester.run(8.2)
    tester.read(V, 3.5)
    tester.read(ON, 1.0)
    ((start, _, why),) = tester.marks()
    assert start == pytest.approx(tester.metre(5.0) - 0.1)
    assert "the daemon was down" in why


def test_a_restart_while_the_line_stood_left_nothing_untested():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.restart(down=30.0, bridged=0.0)
    tester.view.metre = tester.metre(5.0)
    tester.found += tester.rule.tick(tester.view)
    tester.read(ON, 1.0)
    tester.read(V, 3.5)
    assert tester.found == []


def test_a_stretch_that_was_open_before_a_restart_ends_after_it():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.read(ON, 0.0)
    tester.run(6.0)
    tester.restart(down=20.0)
    tester.run(27.0)
    tester.read(V, 3.5)
    tester.read(ON, 1.0)
    ((start, end, why),) = tester.marks()
    assert (start, end) == pytest.approx((tester.metre(5.0) - 0.1, tester.metre(27.0) + 0.1))
    assert why.startswith("high voltage is off")
    assert tester.states() == [True, False]


def test_switched_on_again_the_stretch_ends_without_another_reading_of_a_voltage_that_stands():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.run(5.5)
    tester.read(ON, 0.0)
    tester.run(8.0)
    tester.read(ON, 1.0)
    assert tester.marks() == [], "the meter may lag behind the switch"
    tester.run(8.5)
    ((_, end, _),) = tester.marks()
    assert tester.metre(8.0) < end < tester.metre(8.5)


def test_switched_on_again_with_a_voltage_that_comes_up_slowly():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.run(5.5)
    tester.read(ON, 0.0)
    tester.run(8.0)
    tester.read(ON, 1.0)
    tester.run(8.1)
    tester.read(V, 0.4)
    tester.run(9.0)
    assert tester.marks() == []
    tester.read(V, 3.5)
    assert [end for _, end, _ in tester.marks()] == pytest.approx([tester.metre(9.0) + 0.1])
    assert tester.states() == [True, False]


def test_while_the_line_stands_no_cable_passes_untested():
    tester = SparkLine()
    tester.run(5.0, every=0.5)
    tester.read(ON, 0.0)
    for i in range(100):
        tester.view.now = T0 + 5.0 + 0.1 * i
        tester.found += tester.rule.tick(tester.view)
    assert tester.found == []
    tester.at(15.0)
    tester.found += tester.rule.tick(tester.view)
    assert tester.states() == [True]


def test_when_is_asked_at_ticks_too():
    tester = SparkLine(when="producing")
    tester.run(5.0, every=0.5)
    tester.read(ON, 0.0)
    tester.run(6.0)
    tester.view.state = "stopped"
    tester.run(7.0)
    assert tester.states() == [True, False]
    assert conditions(tester.found)[-1].explanation == "no longer judged: `when` does not hold"
    tester.view.state = "producing"
    tester.run(8.0)
    assert tester.states() == [True, False, True]
    assert stretches(tester.found)[-1].start == pytest.approx(tester.metre(7.1) - 0.1)


def test_the_axis_that_does_not_know_its_metre_yet_marks_nothing():
    tester = SparkLine()
    tester.view.metre = 0.0
    tester.read(ON, 0.0)
    tester.found += tester.rule.tick(tester.view)
    assert tester.found == []


@pytest.mark.parametrize("ticks", [False, True])
def test_the_battery(ticks):
    steps = stream(V, [3.5] * 50 + [2.0] * 40 + [3.5] * 50, ticks=ticks)
    check_rule(lambda: rule_of(RULE), steps, bad_is_an_answer=True)


def test_the_battery_over_the_switch_and_a_silence():
    steps = stream(ON, [1.0] * 20 + [0.0] * 20 + [1.0] * 20, every=0.1, step=0.125)
    volts = stream(V, [3.5] * 60, every=0.1, step=0.125)
    both = [each for pair in zip(steps, volts, strict=True) for each in pair]
    quiet = silence(4.0, both)
    again = stream(V, [3.5] * 5, every=0.1, step=0.125, start=10.0) + stream(ON, [1.0] * 5, every=0.1, step=0.125, start=10.5)
    check_rule(lambda: rule_of(RULE | {"silence": "2 s"}), both + quiet + again, bad_is_an_answer=True)


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"frequency": None}, "frequency"),
        ({"frequency": "3 rpm"}, "frequency"),
        ({"residence": "50 ms"}, "residence"),
        ({"required": "3 bar"}, "required"),
        ({"electrode": "0 mm"}, "electrode"),
        ({"silence": "100 ms"}, "silence"),
        ({"hold_off": {"after_change_of": "trough.setpoint", "for": "60 s"}}, "hold_off"),
        ({"rule": "residence", "frequency": None}, "residence"),
    ],
)
def test_refusals(changes, key):
    assert key in refusals({k: v for k, v in (RULE | changes).items() if v is not None})


def test_a_rule_that_was_given_another_witness_while_the_daemon_was_down_begins_anew():
    tester = SparkLine()
    tester.table = {key: value for key, value in RULE.items() if key != "voltage_on"}
    tester.rule = rule_of(tester.table)
    tester.run(5.0, every=0.5)
    tester.table = RULE
    tester.restart(down=3.0)
    assert tester.states() == [True]
    assert "the daemon was down" in conditions(tester.found)[0].explanation
