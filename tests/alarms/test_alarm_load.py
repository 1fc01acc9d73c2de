"""Load figures: rolling windows, floods, chattering, stale, and what does not count."""

import json

import msgspec
import pytest

from metrepost.alarms import AlarmLoad, LoadMeter, LoadSettings
from support_alarms import NOON, Desk, alarm_event, plan


def product(meter, now):
    return meter.figures(now).classes["product"]


def test_windows_roll():
    meter = LoadMeter()
    for minutes in (0, 30, 58, 59):
        meter.note(alarm_event(), NOON + 60.0 * minutes)
    load = product(meter, NOON + 3600.0)
    assert (load.last_10_min, load.last_hour, load.last_day) == (2, 3, 4)
    load = product(meter, NOON + 86400.0)
    assert (load.last_10_min, load.last_hour, load.last_day, load.most_in_10_min) == (0, 0, 3, 2)


def test_a_flood_begins_above_ten_and_ends_below_five():
    meter = LoadMeter()
    began = ended = None
    for second in range(2400):
        now = NOON + second
        if second < 600 and second % 50 == 0:
            meter.note(alarm_event(f"r{second}.high"), now)
        for event in meter.tick(now):
            assert event.time == now
            if event.data.began:
                began = second
                assert event.data.alarms == 11
            else:
                ended = second
                assert event.data.alarms == 4
    assert began == 500  # the eleventh
    assert ended == 600 + 350  # those at 400, 450, 500, 550 are left
    assert product(meter, NOON + 2400.0).floods == 1


def test_trial_returns_and_covered_states_do_not_count():
    meter = LoadMeter()
    meter.note(alarm_event(trial=True), NOON)
    meter.note(alarm_event(transition="returned", state="returned_unacknowledged"), NOON)
    meter.note(alarm_event(transition="suppressed", state="suppressed_by_design"), NOON)
    meter.note(alarm_event(transition="shelved", state="shelved"), NOON)
    load = product(meter, NOON)
    assert (load.last_day, load.stale, load.priorities) == (0, [], {})


def test_classes_are_counted_apart_and_priorities_split():
    meter = LoadMeter()
    meter.note(alarm_event("a.high", priority="low"), NOON)
    meter.note(alarm_event("a.high", priority="low"), NOON)
    meter.note(alarm_event("b.high", priority="critical"), NOON)
    meter.note(alarm_event("c.high", class_="system"), NOON)
    load = meter.figures(NOON)
    assert load.classes["product"].priorities == {"low": 2, "critical": 1}
    assert [(c.alarm, c.count) for c in load.classes["product"].most_frequent] == [("a.high", 2), ("b.high", 1)]
    assert load.classes["system"].last_10_min == 1
    assert load.windows == "rolling"


@pytest.mark.parametrize(("gap", "chatters"), [(30.0, True), (30.1, False)])
def test_three_raisings_within_a_minute_are_chattering(gap, chatters):
    meter = LoadMeter()
    for number in range(3):
        meter.note(alarm_event(), NOON + gap * number)
    assert product(meter, NOON + 100.0).chattering == (["bore.high"] if chatters else [])
    assert product(meter, NOON + 2 * 86400.0).chattering == []


def test_what_is_active_for_more_than_a_day_is_stale_until_it_returns():
    meter = LoadMeter()
    meter.note(alarm_event(), NOON)
    meter.note(alarm_event(transition="acknowledged", state="acknowledged"), NOON + 50.0)
    assert product(meter, NOON + 86400.0).stale == []
    assert product(meter, NOON + 86401.0).stale == ["bore.high"]
    meter.note(alarm_event(transition="returned", state="normal"), NOON + 86402.0)
    assert product(meter, NOON + 86403.0).stale == []


def test_memory_is_bounded_and_what_goes_uncounted_is_said():
    meter = LoadMeter(LoadSettings(remember=100))
    for number in range(1000):
        meter.note(alarm_event(f"r{number % 7}.high"), NOON + number)
    load = product(meter, NOON + 1000.0)
    assert (load.last_day, load.uncounted) == (100, 900)
    assert len(json.dumps(meter.snapshot())) < 20_000


def test_a_restart_changes_nothing():
    meter = LoadMeter()
    for number in range(30):
        meter.note(alarm_event(f"r{number % 3}.high"), NOON + 10.0 * number)
    meter.tick(NOON + 300.0)
    again = LoadMeter()
    again.restore(json.loads(json.dumps(meter.snapshot())))
    for later in (301.0, 700.0, 900.0, 90000.0):
        assert again.tick(NOON + later) == meter.tick(NOON + later)
        assert again.figures(NOON + later) == meter.figures(NOON + later)


def test_a_snapshot_that_does_not_fit_begins_anew():
    meter = LoadMeter()
    meter.note(alarm_event(), NOON)
    assert not meter.restore({"classes": {"product": {"day": "nonsense"}}})
    assert meter.restore({})
    assert product(meter, NOON).last_day == 1


def test_the_payload_has_a_schema_and_reads_back():
    meter = LoadMeter()
    meter.note(alarm_event(), NOON)
    load = meter.figures(NOON)
    assert msgspec.json.decode(msgspec.json.encode(load), type=AlarmLoad) == load
    assert "ClassLoad" in json.dumps(msgspec.json.schema(AlarmLoad))


def test_the_book_feeds_the_meter():
    """Re-alarms count, suppressed and shelved alarms do not."""
    desk = Desk(plan("stop.set"), plan("bore.low", because_of=("stop.set",)), plan("lump.lump"))
    meter = LoadMeter()
    desk.set("stop.set")
    desk.set("bore.low")
    desk.set("lump.lump", pulse=True)
    desk.set("lump.lump", pulse=True)
    desk.act("shelve", "lump.lump")
    desk.set("lump.lump", pulse=True)
    for item in desk.told:
        if hasattr(item, "data"):
            meter.note(item.data, item.time)
    assert product(meter, desk.now).last_day == 3
