"""What the engine does for every kind: gates by metre, hold-off after a setpoint change, first-out within a group, explanations."""

import math

import msgspec
import pytest

from metrepost.alarms.machine import AlarmBook
from metrepost.alarms.record import AlarmPlan
from metrepost.events import AlarmEvent, AlarmState, Event
from metrepost.readings import BAD, GOOD, Act
from metrepost.readings.units import Extent
from metrepost.rules.contract import Condition
from metrepost.rules.engine import Engine, RunningRule
from metrepost.rules.hold_off import HoldOffWatch
from support_rules import FakeView, measured, rule_of

BAND = {
    "kind": "band",
    "class": "process",
    "reads": "trough.water",
    "high": {"at": "26 degC", "response": "r"},
}


def run(engine, view, rows):
    found = []
    for now, tag, value in rows:
        view.now = now
        m = measured(tag, value, now, view.metre, quality=GOOD)
        view.lasts[tag] = m
        found += engine.reading(m, view)
    return [f for f in found if isinstance(f.finding, Condition)]


def test_after_a_setpoint_change_the_rule_is_passed_over_for_a_while():
    rule, view = rule_of(BAND), FakeView()
    watch = HoldOffWatch("trough.setpoint", Extent(seconds=60.0))
    engine = Engine([RunningRule(rule, hold_off=watch, hold_station="trough")])
    rows = [(0.0, "trough.setpoint", 25.0), (1.0, "trough.water", 25.0), (2.0, "trough.setpoint", 28.0)]
    assert run(engine, view, [*rows, (10.0, "trough.water", 27.0), (61.0, "trough.water", 27.0)]) == []
    saved = msgspec.json.decode(msgspec.json.encode(engine.snapshot()))
    again = Engine(
        [RunningRule(rule_of(BAND), hold_off=HoldOffWatch("trough.setpoint", Extent(seconds=60.0)), hold_station="trough")]
    )
    assert again.restore(saved) == []
    assert run(again, view, [(61.5, "trough.water", 27.0)]) == []
    assert [f.finding.active for f in run(engine, view, [(63.0, "trough.water", 27.0)])] == [True]


def test_a_hold_off_may_be_a_length_of_cable():
    watch = HoldOffWatch("t", Extent(metres=50.0))
    watch.reading(measured("trough.setpoint", 25.0, 0.0, 100.0))
    assert not watch.holding(0.0, 100.0)
    watch.reading(measured("trough.setpoint", math.nan, 0.5, 105.0, quality=BAD))
    watch.reading(measured("trough.setpoint", 26.0, 1.0, 110.0))
    assert watch.holding(1e6, 159.9)
    assert not watch.holding(1.0, 160.0)


def test_a_condition_is_explained_as_data():
    engine, view = Engine([RunningRule(rule_of(BAND))]), FakeView()
    (found,) = run(engine, view, [(0.0, "trough.water", 27.0)])
    told = engine.explained("rule", found.finding, view)
    assert told.data["reads"]["trough.water"]["value"] == 27.0
    assert told.data["limit"] == {"value": 27.0, "bound": 26.0, "unit": "degC"}
    assert msgspec.json.encode(told.data)
    assert engine.explained("endpoint", found.finding, view) == found.finding


def plan(name, group="gas"):
    return AlarmPlan(alarm=f"{name}.high", rule=name, limit="high", class_="process", priority="low", group=group)


def condition(active):
    return Condition(limit="high", active=active, onset_time=1.0, explanation="x")


def firsts(told):
    return {t.data.alarm: t.data.first_out for t in told if isinstance(t, Event) and isinstance(t.data, AlarmEvent)}


def test_the_first_alarm_of_a_group_is_marked_until_all_are_normal():
    book = AlarmBook([plan("a"), plan("b"), plan("c", "")])
    assert firsts(book.condition("b", condition(True), now=1.0, metre_now=None)) == {"b.high": True}
    assert firsts(book.condition("a", condition(True), now=2.0, metre_now=None)) == {"a.high": False}
    assert firsts(book.condition("c", condition(True), now=2.0, metre_now=None)) == {"c.high": False}
    again = AlarmBook([plan("a"), plan("b"), plan("c", "")])
    again.restore(msgspec.json.decode(msgspec.json.encode(book.snapshot())))
    assert {s.alarm: s.first_out for s in again.states()} == {"a.high": False, "b.high": True, "c.high": False}
    for name in ("b", "a"):
        book.condition(name, condition(False), now=3.0, metre_now=None)
        book.act(Act("acknowledge", 4.0, who="kim", alarm=f"{name}.high"))
    told = book.condition("a", condition(True), now=5.0, metre_now=None)
    assert firsts(told) == {"a.high": True}
    assert [t.first_out for t in told if isinstance(t, AlarmState)] == [True]


@pytest.mark.parametrize("limit", ["high", "blind"])
def test_an_engine_without_rules_finds_nothing(limit):
    engine, view = Engine([]), FakeView()
    assert run(engine, view, [(0.0, "trough.water", 99.0)]) == []
    assert engine.tick(view) == []
    assert limit
