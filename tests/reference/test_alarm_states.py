"""Alarm walks and figures against the published standards (ISA-18.2 / IEC 62682, OPC 10000-9, HSE Chemicals Sheet No 6)."""

import pytest

from metrepost.alarms import LoadMeter
from metrepost.alarms.diagram import LETTERS
from metrepost.events import SEVERITY
from support_alarms import NOON, Desk, alarm_event, plan, refused, words


def walk(desk, *steps):
    """The letters passed through, from A."""
    letters = ["A"]
    for step in steps:
        match step:
            case "active":
                desk.set("it.high")
            case "returned":
                desk.clear("it.high")
            case _:
                assert not refused(desk.act(step, "it.high"))
        letters.append(LETTERS[desk.state("it.high")])
    return "".join(letters)


@pytest.mark.parametrize(
    ("latch", "steps", "letters"),
    [
        # ISA-18.2-2016 / IEC 62682, alarm state transition diagram (from memory)
        (False, ("active", "acknowledge", "returned"), "ABCA"),
        (False, ("active", "returned", "acknowledge"), "ABDA"),
        (False, ("active", "returned", "active"), "ABDB"),
        (True, ("active", "returned", "acknowledge", "reset"), "ABEFA"),
        (True, ("active", "acknowledge", "returned", "reset"), "ABCFA"),
        (False, ("active", "shelve", "unshelve"), "ABGB"),
        (False, ("active", "shelve", "out_of_service", "in_service"), "ABGIB"),
    ],
)
def test_walks_of_the_state_transition_diagram(latch, steps, letters):
    assert walk(Desk(plan("it.high", latch=latch)), *steps) == letters


def test_reset_while_active_is_ignored():
    """OPC 10000-9 5.8.5: reset needs the condition inactive and acknowledged."""
    desk = Desk(plan("it.high", latch=True))
    desk.set("it.high")
    assert "still active" in refused(desk.act("reset", "it.high"))
    desk.act("acknowledge", "it.high")
    assert "still active" in refused(desk.act("reset", "it.high"))
    assert desk.state("it.high") == "acknowledged"


def test_a_latched_alarm_does_not_clear_until_it_is_reset():
    """OPC 10000-9 4.8."""
    desk = Desk(plan("it.high", latch=True))
    desk.set("it.high")
    desk.clear("it.high")
    assert "acknowledge it" in refused(desk.act("reset", "it.high"))
    assert desk.state("it.high") == "latched_unacknowledged"


def test_shelving_for_longer_than_the_maximum_is_refused():
    """OPC 10000-9 5.8.17.4: Bad_ShelvingTimeOutOfRange."""
    desk = Desk(plan("it.high"), max_shelved=3600.0)
    assert "longest is 3600 s" in refused(desk.act("shelve", "it.high", until=desk.now + 1.0 + 3600.1))
    assert not refused(desk.act("shelve", "it.high", until=desk.now + 1.0 + 3600.0))


def test_one_shot_shelving_ends_when_the_condition_goes_inactive():
    """OPC 10000-9 5.8.17.1."""
    desk = Desk(plan("it.high"))
    desk.set("it.high")
    desk.act("shelve", "it.high")
    assert words(desk.clear("it.high")) == ["unshelved"]
    assert desk.state("it.high") == "normal"
    assert words(desk.set("it.high")) == ["raised"]


def test_severities_lie_in_the_bands_of_the_plastics_companion_specification():
    """OPC 40083, 6.4: 1 to 333 low, 334 to 666 medium, 667 to 1000 high."""
    bands = {"low": (1, 333), "medium": (334, 666), "high": (667, 1000), "critical": (667, 1000)}
    assert set(SEVERITY) == set(bands)
    for priority, (low, high) in bands.items():
        assert low <= SEVERITY[priority] <= high
    assert SEVERITY["high"] < SEVERITY["critical"]


def test_144_alarms_in_a_day_are_one_in_ten_minutes_and_acceptable():
    """HSE Chemicals Sheet No 6, after EEMUA 191: one in 10 minutes is very likely acceptable."""
    meter = LoadMeter()
    meter.tick(NOON)
    for number in range(144):
        meter.note(alarm_event(f"r{number % 12}.high"), NOON + 600.0 * number + 1.0)
    load = meter.figures(NOON + 86400.0).classes["product"]
    assert (load.last_day, load.average_10_min, load.rate) == (144, 1.0, "acceptable")
    meter.note(alarm_event("extra.high"), NOON + 86400.0)
    assert meter.figures(NOON + 86400.0).classes["product"].rate == "manageable"


@pytest.mark.parametrize(("alarms", "flood"), [(10, False), (11, True)])
def test_a_flood_is_more_than_ten_alarms_in_ten_minutes(alarms, flood):
    """ISA-18.2 / TR18.2.5 (from memory); rolling window."""
    meter = LoadMeter()
    for number in range(alarms):
        meter.note(alarm_event(f"r{number}.high"), NOON + 50.0 * number)
    out = meter.tick(NOON + 550.0)
    assert [event.data.began for event in out] == ([True] if flood else [])
    assert meter.figures(NOON + 550.0).classes["product"].flood == flood
