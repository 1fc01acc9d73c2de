"""The whole core on the demonstration line, fed by the direct face of the simulator."""

import math

import msgspec
import pytest

from metrepost.assembly import assemble
from metrepost.events import AlarmEvent, Event, ReelState, RollupOut
from metrepost.readings import BAD, Act, Measured, Reading, Tick
from metrepost_sim.direct import DirectLine
from metrepost_sim.scenario import Scenario, Stop
from metrepost_sim.scenarios import bars, demo, healthy, profile, scenario
from support_bars import bars_line


@pytest.fixture(scope="module")
def line():
    return bars_line()


def inputs(name, seconds, seed=1, **options):
    return list(DirectLine(scenario(name, seed) if isinstance(name, str) else name, **options).inputs(seconds))


def feed(core, items):
    out = []
    for item in items:
        out.extend(core.feed(item))
    return out


def told(out, kind):
    return [o.data for o in out if isinstance(o, Event) and o.data.kind == kind]


def test_the_same_inputs_give_the_same_answer(line):
    items = inputs("demo", 40)
    first, second = feed(assemble(line), items), feed(assemble(line), items)
    assert msgspec.json.encode(first) == msgspec.json.encode(second)
    assert told(first, "flaw")


def test_every_measured_value_has_piece_and_uncertainty(line):
    out = [o for o in feed(assemble(line), inputs("demo", 5)) if isinstance(o, Measured) and o.speed > 0]
    assert out
    for m in out:
        assert m.start <= m.metre <= m.end + 1e-9
        assert 0 < m.uncertainty < 1


def test_a_restart_from_a_snapshot_goes_on_like_no_restart(line):
    items = inputs(bars(3, speed=79.0, lumps=40), 130)
    half = next(i for i, item in enumerate(items) if isinstance(item, Tick) and item.time > items[0].time + 100)
    whole = assemble(line)
    before, after = feed(whole, items[:half]), feed(whole, items[half:])
    first, second = assemble(line), assemble(line)
    feed(first, items[:half])
    saved = msgspec.json.decode(msgspec.json.encode(first.snapshot()))
    alarms = msgspec.json.decode(msgspec.json.encode(first.alarms.snapshot()))
    assert second.restore(saved) == []
    assert second.alarms.restore(alarms).unreadable == []
    resumed = feed(second, items[half:])
    assert [e.what for e in told(resumed, "counter")] == ["restart"]

    def flaws(out):
        return [(d.kind, round(d.start, 6), d.explanation) for k in ("flaw", "drop") for d in told(out, k)]

    assert flaws(after)
    assert told(before, "drop")
    assert flaws(resumed) == flaws(after)
    assert {s.alarm: s.state for s in second.alarms.states()} == {s.alarm: s.state for s in whole.alarms.states()}


def test_a_stop_marks_scrap_at_the_die_and_holds_length_rules(line):
    stops = (Stop(20.0, 40.0),)
    out = feed(assemble(line), inputs(Scenario("stop", 1, 90.0, 80.0, profile(80.0, stops, 90.0)), 90))
    states = [e.state for e in told(out, "line")]
    assert states == ["producing", "ramping", "stopped", "ramping", "producing"]
    marks = {(s.cause, s.mark): s for s in told(out, "stretch")}
    stop = marks["stop", "scrap"]
    assert stop.end - stop.start == pytest.approx(25.0)
    assert ("start", "scrap") in marks
    # what swelled in the standing die is a lump, and lies in the marked stretch; nothing else is said of the product
    for alarm in told(out, "alarm"):
        if alarm.class_ == "product" and alarm.transition == "raised":
            assert stop.start <= alarm.metre <= marks["start", "scrap"].end


def test_a_cut_closes_the_reel_by_metre_and_gives_both_ends(line):
    out = feed(assemble(line), inputs(healthy(1, duration=200.0, reel=120.0, drops=20.0), 200))
    cut = told(out, "cut")[1]
    records = [o.data for o in out if isinstance(o, ReelState) and o.which == "last"]
    record = records[1]
    assert record.start == pytest.approx(records[0].end)
    assert record.drops
    assert record.closed
    assert record.end == pytest.approx(cut.metre)
    assert cut.metre_uncertainty > 0
    for row in record.flaws + record.drops:
        assert record.start - 0.1 < row["from"] < record.end
        assert row["from_start"] + row["from_end"] + (row["to"] - row["from"]) == pytest.approx(record.length, abs=0.01)
    reels = [o.data for o in out if isinstance(o, RollupOut) and o.data.span == "reel"]
    assert record.reel in {r.reel for r in reels}
    diameter = next(r for r in reels if r.reel == record.reel and r.tag.endswith("cold-gauge.diameter"))
    assert diameter.start == pytest.approx(record.start)
    assert diameter.end == pytest.approx(record.end)


def test_events_after_the_snapshot_are_replayed_into_the_reel_record(line):
    items = inputs(healthy(2, duration=150.0, reel=90.0, drops=30.0), 150)
    whole = assemble(line)
    saved, late = None, []
    for n, item in enumerate(items):
        told_now = whole.feed(item)
        if n == len(items) // 2:
            saved = msgspec.json.decode(msgspec.json.encode(whole.snapshot()))
        elif saved is not None:
            late += [o for o in told_now if isinstance(o, Event)]
    killed = assemble(line)
    killed.restore(saved, whole.place())
    for event in late:
        killed.replay(event.data, event.time)
    killed._reels.reel_name(whole._reels.name)  # the take-up tag says it again after the restart
    metre = whole.take_up_metre()
    expected, got = whole._reels.current(metre), killed._reels.current(metre)
    assert expected.drops
    assert any(e.data.kind == "cut" for e in late)
    assert got == expected


def test_rollup_metres_add_up(line):
    out = feed(assemble(line), inputs("demo", 120))
    hundreds = [o.data for o in out if isinstance(o, RollupOut) and o.data.span == "100m" and o.data.tag.endswith("diameter")]
    assert hundreds
    for r in hundreds:
        total = r.metres_good + r.metres_uncertain + r.metres_bad + r.metres_left_out
        assert total == pytest.approx(r.end - r.start, abs=1e-6)
        assert (r.end - r.start) == pytest.approx(100.0)


def test_an_endpoint_that_is_lost_raises_the_built_in_alarm(line):
    core = assemble(line)
    feed(core, inputs("steady", 5))
    out = core.feed(Act("endpoint_down", core.now, endpoint="gauges", reason="connection refused"))
    assert [e.endpoint for e in told(out, "endpoint")] == ["gauges"]
    (alarm,) = told(out, "alarm")
    assert (alarm.alarm, alarm.transition, alarm.class_) == ("endpoint.gauges", "raised", "system")
    out = core.feed(Act("endpoint_up", core.now, endpoint="gauges"))
    assert [a.transition for a in told(out, "alarm")] == ["returned"]


def test_a_dead_device_is_one_alarm_and_what_it_explains_is_suppressed(line):
    core = assemble(line)
    feed(core, inputs("steady", 20))
    gauges = next(e for e in line.endpoints if e.name == "gauges")
    now = core.now
    out = core.feed(Act("endpoint_down", now, endpoint="gauges", reason="connection refused"))
    for n in range(400):
        now += 0.05
        length = core.axis.place(now).length
        out += core.feed(Reading("capstan.length", now, length))
        out += core.feed(Reading("capstan.speed", now, 80.0))
        for point in gauges.points:
            out += core.feed(Reading(point.tag, now, math.nan, BAD, "not connected"))
        if n % 2:
            out += core.feed(Tick(now))
    raised = {a.alarm for a in told(out, "alarm") if a.transition == "raised"}
    suppressed = {a.alarm for a in told(out, "alarm") if a.transition == "suppressed"}
    assert raised == {"endpoint.gauges"}
    assert {"cold-gauge-missing.missing", "cold-diameter.blind"} <= suppressed


def test_an_unknown_recipe_raises_an_alarm_and_keeps_the_product(line):
    core = assemble(line)
    feed(core, inputs("steady", 5))
    out = core.feed(Reading("plc.recipe", core.now, 99.0))
    assert [a.alarm for a in told(out, "alarm")] == ["product.unknown"]
    assert core.product.name == "K75-480"
    out = core.feed(Reading("plc.recipe", core.now, 76.0))
    assert core.product.name == "K75-470"
    assert [(s.cause, s.mark) for s in told(out, "stretch")] == [("product_change", "suspect")]


def test_a_clock_step_is_an_event_and_nothing_else(line):
    core = assemble(line)
    feed(core, inputs("steady", 5))
    out = core.feed(Act("clock_step", core.now, amount=-3600.0))
    assert [e.step for e in told(out, "clock")] == [-3600.0]
    assert told(out, "alarm") == []


def test_readings_of_unknown_tags_are_counted(line):
    core = assemble(line)
    assert core.feed(Reading("no.tag", 1.0, 1.0)) == []
    assert core.unknown_tags == 1


def test_acknowledge_is_journalled_with_who(line):
    core = assemble(line)
    feed(core, inputs("demo", 30))
    alarm = next(s.alarm for s in core.alarms.states() if s.state.endswith("unacknowledged"))
    out = core.feed(Act("acknowledge", core.now, who="kim", alarm=alarm))
    (event,) = told(out, "alarm")
    assert isinstance(event, AlarmEvent)
    assert (event.transition, event.by) == ("acknowledged", "kim")


def test_the_demo_shows_something_to_score(line):
    out = feed(assemble(line), inputs(demo(1), 60))
    assert told(out, "drop")
    assert told(out, "flaw")
    assert told(out, "spark")
    assert told(out, "cut")


def test_notes_scrap_and_samples_are_tied_to_metre_and_reel(line):
    core = assemble(line)
    feed(core, inputs("steady", 8))
    metre = core.take_up_metre()
    out = core.feed(Act("note", core.now, who="kim", text="die wiped", metre=metre))
    out += core.feed(Act("scrap", core.now, who="kim", start=metre - 3, end=metre - 1))
    out += core.feed(Act("sample", core.now, who="lab", text="weighed metre", value=10.4, unit="g/m", metre=metre - 2))
    assert [e.text for e in told(out, "note")] == ["die wiped"]
    assert [(e.mark, e.cause, round(e.end - e.start, 6)) for e in told(out, "stretch")] == [("scrap", "operator", 2.0)]
    (sample,) = told(out, "sample")
    assert (sample.what, sample.value, sample.unit, sample.by) == ("weighed metre", 10.4, "g/m", "lab")
    record = core._reels.current(metre + 1)
    assert [row["what"] for row in record.samples] == ["weighed metre"]
    assert [row["text"] for row in record.notes] == ["die wiped"]
    refused = core.feed(Act("sample", core.now, who="lab", text="nothing"))
    assert "needs a value" in refused[-1].why


def test_an_alarm_carries_its_explanation_as_data(line):
    out = feed(assemble(line), inputs("demo", 60))
    raised = [a for a in told(out, "alarm") if a.transition == "raised"]
    lump = next(a for a in raised if a.alarm == "cold-lump.lump" and a.data.get("witness"))
    assert lump.data["witness"]["threshold"] <= 0.03
    water = next(a for a in raised if a.rule == "nitrogen")
    assert water.data["reads"]["foam-extruder.nitrogen"]["quality"] == "good"
    assert water.data["judged"]
