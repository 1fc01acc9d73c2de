"""`hold_off` through the engine: readings and ticks are held, and what stands at its end is judged then."""

import json
import math
import random

import pytest

from metrepost.events import FlawEvent
from metrepost.readings import BAD, UNCERTAIN
from metrepost.readings.units import Extent
from metrepost.rules.contract import Condition, Told
from metrepost.rules.engine import Engine
from metrepost.rules.hold_off import HoldOffWatch
from support_rules import T0, FakeView, conditions, feed, measured, refusals, rule_of, running, stream

HOLD_OFF = {"after_change_of": "trough.setpoint", "for": "60 s"}
BAND = {
    "kind": "band",
    "class": "process",
    "reads": "trough.water",
    "high": {"at": "26 degC", "response": "r"},
    "hold_off": HOLD_OFF,
}
SPEED = 1.25


class Line:
    """An engine under one clock, told readings by time; ticks every 100 ms in between."""

    def __init__(self, *tables, **named):
        self._tables = tables
        self.engine = Engine([running(table, f"rule{i or ''}") for i, table in enumerate(tables)])
        self.view = FakeView()
        self.start = self.view.now
        self.t = 0.0

    def run(self, until, *rows):
        """Rows are (seconds, tag, value); gives the conditions as (seconds, limit, active) and keeps everything in `found`."""
        self.found = []
        waiting = sorted(rows)
        while round(self.t, 6) < until:
            step = min(round(self.t * 10 + 1 + 1e-6) / 10, until)
            while waiting and waiting[0][0] <= step:
                self._reading(*waiting.pop(0))
            self._at(step)
            self.found += self.engine.tick(self.view)
        return [
            (round(f.finding.onset_time - self.start, 1), f.finding.limit, f.finding.active)
            for f in self.found
            if isinstance(f.finding, Condition)
        ]

    def _at(self, t):
        self.t = t
        self.view.now, self.view.metre = self.start + t, t * SPEED

    def _reading(self, t, tag, value, quality=None):
        self._at(max(t, self.t))
        more = {} if quality is None else {"quality": quality}
        m = measured(tag, value, self.view.now, self.view.metre, **more)
        self.view.lasts[tag] = m
        self.found += self.engine.reading(m, self.view)

    def restarted(self):
        """The same line after a restart from a snapshot."""
        again = Line(*self._tables)
        assert again.engine.restore(json.loads(json.dumps(self.engine.snapshot()))) == []
        again.view, again.start, again.t = self.view, self.start, self.t
        return again


CHANGED = [(0.5, "trough.setpoint", 25.0), (1.0, "trough.water", 25.0), (2.0, "trough.setpoint", 28.0)]


def test_a_value_on_change_that_stays_beyond_its_limit_is_told_when_the_hold_off_ends():
    line = Line(BAND)
    assert line.run(61.9, *CHANGED, (10.0, "trough.water", 27.0)) == []
    assert line.run(63.0) == [(62.0, "high", True)]


def test_polled_readings_are_judged_again_after_it():
    line = Line(BAND)
    polled = [(float(t), "trough.water", 27.0) for t in range(5, 70)]
    assert line.run(61.9, *CHANGED, *polled[:57]) == []
    assert line.run(63.0, *polled[57:58]) == [(62.0, "high", True)]


def test_what_came_back_in_time_is_no_news():
    line = Line(BAND)
    assert line.run(90.0, *CHANGED, (10.0, "trough.water", 27.0), (50.0, "trough.water", 25.5)) == []


def test_an_on_delay_does_not_run_out_during_it_and_begins_anew_after_it():
    line = Line(BAND | {"on_delay": "5 s"})
    pending = [(0.5, "trough.setpoint", 25.0), (1.0, "trough.water", 27.0), (2.0, "trough.setpoint", 28.0)]
    assert line.run(66.9, *pending) == []
    assert line.run(68.0) == [(62.0, "high", True)]  # beyond since the end of the hold-off, told 5 s later
    assert line.found[0].finding.onset_time < line.start + 62.2


def test_an_alarm_that_stood_before_is_held():
    line = Line(BAND)
    assert line.run(1.9, (0.5, "trough.setpoint", 25.0), (1.0, "trough.water", 27.0)) == [(1.0, "high", True)]
    assert line.run(61.0, (2.0, "trough.setpoint", 28.0), (10.0, "trough.water", 25.0)) == []  # neither raised nor ended
    assert line.run(63.0) == [(62.0, "high", False)]


def test_an_off_delay_does_not_run_out_during_it():
    line = Line(BAND | {"off_delay": "10 s"})
    line.run(1.9, (0.5, "trough.setpoint", 25.0), (1.0, "trough.water", 27.0))
    assert line.run(61.9, (1.95, "trough.water", 25.0), (2.0, "trough.setpoint", 28.0)) == []
    assert [active for _, _, active in line.run(75.0)] == [False]
    assert line.t == 75.0


def test_a_restart_in_the_middle_changes_nothing():
    line = Line(BAND)
    assert line.run(30.0, *CHANGED, (10.0, "trough.water", 27.0)) == []
    again = line.restarted()
    assert again.run(61.9) == []
    assert again.run(63.0) == [(62.0, "high", True)] == line.run(63.0)


CONDITION = {
    "kind": "condition",
    "class": "process",
    "expression": 'value["trough.water"] > 26.0',
    "hold_off": HOLD_OFF,
}


def test_a_condition_is_held_at_ticks_too():
    line = Line(CONDITION)
    assert line.run(61.9, *CHANGED, (10.0, "trough.water", 27.0)) == []
    assert line.run(63.0) == [(62.0, "true", True)]


def test_a_condition_that_was_true_stays_true_during_it():
    line = Line(CONDITION)
    assert line.run(1.9, (0.5, "trough.setpoint", 25.0), (1.0, "trough.water", 27.0)) == [(1.0, "true", True)]
    assert line.run(61.9, (2.0, "trough.setpoint", 28.0), (10.0, "trough.water", 25.0)) == []
    assert line.restarted().run(63.0) == [(62.0, "true", False)]


def test_when_goes_before_it():
    line = Line(BAND | {"when_now": "producing"}, CONDITION | {"when_now": "producing"})
    assert len(line.run(1.9, (0.5, "trough.setpoint", 25.0), (1.0, "trough.water", 27.0))) == 2
    assert line.run(10.0, (2.0, "trough.setpoint", 28.0)) == []
    line.view.state = "stopped"
    assert [active for _, _, active in line.run(11.0)] == [False, False]


OTHERS = {
    "bit": (
        {"kind": "bit", "class": "equipment", "reads": "spark-tester.voltage_on", "alarm_when": False},
        ("spark-tester.voltage_on", 1.0, 0.0),
    ),
    "rate": (
        {"kind": "rate", "class": "process", "reads": "trough.water", "over": "2 s", "rising": {"at": "2 degC/min"}},
        ("trough.water", None, None),
    ),
    "stuck": ({"kind": "stuck", "class": "system", "reads": "trough.water", "for": "5 s"}, ("trough.water", 25.0, 25.0)),
    "missing": ({"kind": "missing", "class": "system", "reads": "trough.water", "for": "5 s"}, ("trough.water", None, None)),
    "count": (
        {"kind": "count", "class": "product", "reads": "spark-tester.faults", "limit": 1, "per": "1 km"},
        ("spark-tester.faults", None, None),
    ),
}


def rows_of(kind, start, end, bad):
    """Readings each 0.2 s, well or badly, from `start` to `end`."""
    times = [start + 0.2 * i for i in range(round((end - start) / 0.2))]
    if kind == "bit":
        return [(t, "spark-tester.voltage_on", 0.0 if bad else 1.0) for t in times]
    if kind == "rate":
        return [(t, "trough.water", 25.0 + (0.1 * (t - start) if bad else 0.0)) for t in times]
    if kind == "stuck":
        return [(t, "trough.water", 25.0 if bad else 25.0 + 0.001 * i) for i, t in enumerate(times)]
    if kind == "missing":
        return [] if bad else [(t, "trough.water", 25.0) for t in times]
    return [(t, "spark-tester.faults", 10.0 + i if bad else 10.0) for i, t in enumerate(times)]


@pytest.mark.parametrize("kind", OTHERS)
def test_every_kind_is_held_while_it_would_raise_and_raises_after_it(kind):
    table = OTHERS[kind][0] | {"hold_off": HOLD_OFF}
    setpoints = [(0.5, "trough.setpoint", 25.0), (2.0, "trough.setpoint", 28.0)]
    held = Line(table)
    assert held.run(61.9, *setpoints, *rows_of(kind, 0.1, 2.0, bad=False), *rows_of(kind, 2.1, 61.9, bad=True)) == []
    assert [active for _, _, active in held.run(75.0, *rows_of(kind, 62.1, 75.0, bad=True))] == [True]
    free = Line(OTHERS[kind][0])
    assert free.run(61.9, *setpoints, *rows_of(kind, 0.1, 2.0, bad=False), *rows_of(kind, 2.1, 61.9, bad=True)) != []


@pytest.mark.parametrize("kind", OTHERS)
def test_every_kind_holds_what_stood(kind):
    line = Line(OTHERS[kind][0] | {"hold_off": HOLD_OFF})
    before = [*rows_of(kind, 0.1, 2.0, bad=False), *rows_of(kind, 2.1, 20.0, bad=True)]
    assert [active for _, _, active in line.run(20.0, (0.5, "trough.setpoint", 25.0), *before)] == [True]
    assert line.run(75.0, (20.0, "trough.setpoint", 28.0), *rows_of(kind, 20.1, 75.0, bad=False)) == []
    if kind != "count":  # which returns only as cable goes by
        assert [active for _, _, active in line.run(95.0, *rows_of(kind, 80.1, 95.0, bad=False))] == [False]


def test_sparks_are_told_during_it_though_not_counted():
    line = Line(OTHERS["count"][0] | {"hold_off": HOLD_OFF, "tells": "spark"})
    rows = [(0.5, "trough.setpoint", 25.0), (1.0, "spark-tester.faults", 3.0), (2.0, "trough.setpoint", 28.0)]
    assert line.run(70.0, *rows, (10.0, "spark-tester.faults", 9.0)) == []
    assert [f.finding.data.faults for f in line.found if isinstance(f.finding, Told)] == [6]


def test_flaws_heard_during_it_are_not_counted():
    table = {"kind": "count", "class": "product", "counts": {"flaw": "lumps"}, "limit": 0, "per": "100 m", "hold_off": HOLD_OFF}
    event = FlawEvent(
        rule="lumps",
        station="trough",
        direction="lump",
        verdict="lump",
        alarmed=True,
        metre=1.0,
        height=0.1,
        limit=0.06,
        unit="mm",
        length_low=0.0,
        length_high=0.01,
        explanation="x",
        decided="",
    )
    line = Line(table)
    line.run(3.0, *CHANGED)
    assert line.engine.heard(event, line.view) == []
    line.run(70.0)
    assert line.engine.heard(event, line.view) != []


def test_a_mean_begins_anew_after_it():
    line = Line(BAND | {"over": "10 s"})
    hot = [(3.0 + 0.5 * i, "trough.water", 30.0) for i in range(110)]
    assert line.run(58.0, *CHANGED, *hot) == []
    assert line.run(90.0, *[(58.0 + 0.5 * i, "trough.water", 25.0) for i in range(60)]) == []


def test_it_may_be_a_length_of_cable():
    watch = HoldOffWatch("t", "trough", Extent(metres=50.0))
    watch.reading(measured("trough.setpoint", 25.0, 0.0, 100.0))
    assert not watch.holding(0.0, 100.0)
    watch.reading(measured("trough.setpoint", math.nan, 0.5, 105.0, quality=BAD))
    watch.reading(measured("trough.setpoint", 26.0, 1.0, 110.0))
    assert watch.holding(1e6, 159.9)
    assert not watch.holding(1.0, 160.0)
    assert not watch.holding(1.0, 20.0), "a metre that begins anew must not hold for ever"


def test_a_doubtful_setpoint_holds_nothing_back():
    watch = HoldOffWatch("t", "trough", Extent(seconds=60.0))
    watch.reading(measured("trough.setpoint", 25.0, 0.0, 0.0))
    watch.reading(measured("trough.setpoint", 28.0, 1.0, 1.0, quality=UNCERTAIN))
    assert not watch.holding(2.0, 2.0)
    watch.reading(measured("trough.setpoint", 28.0, 3.0, 3.0))
    assert watch.holding(4.0, 4.0)


def test_an_unknown_tag_does_not_break_the_build():
    assert refusals(BAND | {"hold_off": {"after_change_of": "no.tag", "for": "60 s"}}) == {}  # the loader tells of it


def held(rule, steps, view=None):
    """What a rule says while all of these readings come during a hold-off."""
    view = view if view is not None else FakeView()
    found = []
    for each in steps:
        view.now, view.metre = each.now, each.metre
        found += rule.hold(each.m, view) + rule.tick(view)
    return found


def noisy(values, seed=1):
    rng = random.Random(seed)
    return [value + rng.gauss(0, 0.001) for value in values]


def test_the_baseline_of_a_flaw_rule_follows_the_process_meanwhile():
    table = {
        "kind": "flaw",
        "class": "product",
        "reads": "cold-gauge.diameter",
        "direction": "lump",
        "height": "0.06 mm",
    }
    rule = rule_of(table)
    before = stream("cold-gauge.diameter", noisy([4.70] * 400))
    changing = stream("cold-gauge.diameter", noisy([4.90] * 400), start=before[-1].now - T0)
    after = stream("cold-gauge.diameter", noisy([4.90] * 100), start=changing[-1].now - T0)
    assert feed(rule, before) == []
    assert held(rule, changing) == []
    assert feed(rule, after) == []
    assert feed(rule_of(table), before + changing) != []


DRIFT = {
    "kind": "drift",
    "class": "process",
    "reads": "cold-gauge.diameter",
    "subgroup": "1 m",
    "mean": "product.dielectric",
    "sigma": "1 um",
    "up": {},
    "down": {},
}


def test_a_drift_that_stands_is_held_and_one_that_comes_meanwhile_is_not_charted():
    stepped = stream("cold-gauge.diameter", noisy([4.801] * 4000))
    assert conditions(held(rule_of(DRIFT), stepped)) == []
    rule = rule_of(DRIFT)
    assert [c.active for c in conditions(feed(rule, stream("cold-gauge.diameter", noisy([4.810] * 4000))))] == [True]
    back = stream("cold-gauge.diameter", noisy([4.800] * 4000), start=80.0)
    assert conditions(held(rule, back)) == []
    later = stream("cold-gauge.diameter", noisy([4.800] * 4000), start=160.0)
    assert [c.active for c in conditions(feed(rule, later))] == [False]


def test_a_printed_period_is_looked_for_anew_after_it_and_held_until_then():
    table = {
        "kind": "periodic",
        "class": "product",
        "reads": "cold-gauge.mean",
        "over": "20 m",
        "step": "5 m",
        "shortest": "200 mm",
        "longest": "3 m",
        "amplitude": "4 um",
    }

    def wave(n, amplitude, start=0.0):
        values = noisy([4.8 + amplitude * math.sin(2 * math.pi * 0.025 * i / 1.0) for i in range(n)])
        return stream("cold-gauge.mean", values, start=start, piece=0.025)

    rule = rule_of(table)
    assert [c.active for c in conditions(feed(rule, wave(1200, 0.01)))] == [True]
    assert conditions(held(rule, wave(1200, 0.0, start=24.0))) == []
    assert [c.active for c in conditions(feed(rule, wave(1200, 0.0, start=48.0)))] == [False]
    assert conditions(held(rule_of(table), wave(1200, 0.01))) == []
