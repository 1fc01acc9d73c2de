"""What the engine does for every kind: first-out within a group, explanations."""

import msgspec
import pytest

from metrepost.alarms.machine import AlarmBook
from metrepost.alarms.record import AlarmPlan
from metrepost.events import AlarmEvent, AlarmState, Event
from metrepost.readings import GOOD, Act
from metrepost.rules.contract import Condition
from metrepost.rules.engine import Engine
from support_rules import FakeView, measured, running

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


def test_a_condition_is_explained_as_data():
    engine, view = Engine([running(BAND)]), FakeView()
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
