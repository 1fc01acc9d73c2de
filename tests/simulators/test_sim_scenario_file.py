"""Scenario files: what they say happens, on the simulated line, in the core, and in the truth; wrong ones are refused whole."""

import msgspec
import orjson
import pytest

from metrepost.configuration.faults import ConfigurationError
from metrepost_sim.any_file import take_line
from metrepost_sim.scenario_build import build_scenario
from metrepost_sim.scenario_file import read_scenario, shipped_scenarios
from metrepost_sim.score import score_files
from support_any_line import unseen_line
from support_bars import bars_line, polling, run_scenario

ONE_OF_EACH = """
format = 1
[run]
speed = "78 m/min"
duration = "130 s"
[event.lump]
kind = "lump"
at = "1085 m"
height = "0.3 mm"
length = "60 mm"
[event.wipe-fails]
kind = "wipe"
at = "1092 m"
for = "30 m"
drops_per_100_m = 90.0
[event.plc-restarts]
kind = "restart"
at = "1125 m"
for = "5 s"
counter_zero = true
"""


@pytest.fixture(scope="module")
def core_3():
    return bars_line()


def built(text, line, folder, seed=4):
    path = folder / "what-happens.toml"
    path.write_text(text)
    return build_scenario(read_scenario(path), take_line(line), seed)


def refused(text, line, folder):
    """(line, key path, wrong, allowed, nearest) of every fault."""
    with pytest.raises(ConfigurationError) as told:
        built(text, line, folder)
    return {fault.key_path: fault for fault in told.value.faults}


def test_a_lump_a_failing_wipe_and_a_restart_come_out_of_the_core_as_they_are_in_the_truth(core_3, tmp_path):
    rules = tuple((name, s) for name, s in core_3.rules if name in ("cold-lump", "hot-lump", "wipe-failing"))
    scenario = built(ONE_OF_EACH, core_3, tmp_path).scenario
    truth, events, _ = run_scenario(scenario, polling("peak-hold"), msgspec.structs.replace(core_3, rules=rules), tmp_path)
    rows = [orjson.loads(row) for row in truth.read_bytes().splitlines()]
    told = [orjson.loads(row) for row in events.read_bytes().splitlines()]
    of = lambda kind: [row for row in rows if row["kind"] == kind]  # noqa: E731

    lump, wipe, outage, counter = (of(kind)[0] for kind in ("lump", "wipe", "outage", "counter"))
    assert (lump["metre"], lump["height"]) == (1085.0, 0.3)
    assert (wipe["from"], wipe["to"]) == pytest.approx((1092.0, 1122.0), abs=0.01)
    assert (outage["name"], outage["what"]) == ("drives", "down")
    assert (counter["what"], counter["time"] - outage["time"]) == ("zero", pytest.approx(5.0))
    drops = of("drop")
    assert len(drops) == pytest.approx(0.9 * 30.0, abs=15)  # Poisson with mean 27
    assert all(1092.0 <= row["metre"] <= 1122.0 for row in drops)

    score = score_files(truth, events)
    assert (score.lumps, score.missed_bar, score.drops_covered_alarmed, score.false_alarms) == (1, 0, 0, 0)
    alarms = {(e["data"]["alarm"], e["data"]["transition"]): e["data"] for e in told if e["type"] == "metrepost.alarm.v1"}
    assert alarms["cold-lump.lump", "raised"]["metre"] == pytest.approx(1085.0, abs=0.05)
    assert wipe["from"] <= alarms["wipe-failing.over", "raised"]["metre"] <= wipe["to"]
    assert ("endpoint.drives", "raised") in alarms
    assert ("endpoint.drives", "returned") in alarms
    steps = [e["data"] for e in told if e["type"] == "metrepost.counter.v1"]
    assert [(s["what"], s["after"]) for s in steps] == [("discontinuity", 0.0)]
    assert steps[0]["before"] == pytest.approx(1125.0, abs=0.1)


def test_stops_and_changes_of_speed_move_what_stands_behind_them_in_metres(core_3, tmp_path):
    found = built(
        """
        format = 1
        [run]
        speed = "60 m/min"
        [event.stop]
        kind = "stop"
        at = "1060 m"
        for = "40 s"
        [event.faster]
        kind = "speed"
        at = "1100 m"
        to = "120 m/min"
        over = "10 s"
        [event.silent]
        kind = "tag"
        tag = "wipe.air"
        at = "1200 m"
        for = "20 m"
        silent = true
        """,
        core_3,
        tmp_path,
    ).scenario
    # 60 m at 1 m/s; 6 m in 12 s of slowing down, at rest until 100 s, 12 m in 24 s of speeding up, so 1100 m comes 22 s after 124 s;
    # then 15 m in 10 s, and 85 m at 2 m/s (the ripple of the drive is millimetres)
    stop, faster, silent = found.stops[0], found.speeds[-2], found.forced[0]
    assert (stop.at, stop.until) == pytest.approx((60.0, 100.0), abs=0.05)
    assert faster.at == pytest.approx(146.0, abs=0.05)
    assert (silent.at, silent.until) == pytest.approx((198.5, 208.5), abs=0.05)


@pytest.mark.parametrize("name", list(shipped_scenarios()))
def test_shipped_files_are_for_any_line(name, core_3, tmp_path):
    for line in (core_3, unseen_line(tmp_path)):
        made = build_scenario(read_scenario(shipped_scenarios()[name]), take_line(line), 1)
        assert made.scenario.name == name


def test_everything_that_is_wrong_is_told_at_once_with_its_line_and_what_is_allowed(core_3, tmp_path):
    faults = refused(
        """format = 1
extra = 1
[run]
speed = "80 bar"
recipe = 12
[event.one]
kind = "lumb"
at = "1200 m"
[event.two]
kind = "lump"
at = "1200 kg"
hight = "0.3 mm"
[event.three]
kind = "restart"
at = "10 s"
for = "5 s"
endpoint = "drivs"
[event.four]
kind = "tag"
tag = "wipe.airr"
at = "10 s"
for = "0 s"
to = "3 bar"
[event.five]
kind = "lump"
at = "900 m"
height = "0.3 mm"
[event.six]
kind = "tag"
tag = "wipe.air"
at = "2 h"
for = "5 s"
to = "3 mm"
[event.seven]
kind = "pinhole"
at = "10 s"
count = 3
[signal."foam-extruder.melt"]
as = "soup"
[faults.plc]
drop = "1 %"
[faults.gauges]
drop = "60 %"
cut = "50 %"
""",
        core_3,
        tmp_path,
    )
    lines = {key: fault.line for key, fault in faults.items()}
    assert lines == {
        "extra": 2,
        "run.speed": 4,
        "event.one.kind": 7,
        "event.two.at": 11,
        "event.two.hight": 12,
        "event.two.height": 9,
        "event.three.endpoint": 17,
        "event.four.for": 22,
        "event.five.at": 26,
        "event.six.at": 31,
        "event.six.to": 33,
        "event.seven": 34,
        'signal."foam-extruder.melt".as': 39,
        "faults.plc.drop": 41,
        "faults.gauges": 42,
    }
    assert faults["event.one.kind"].nearest == "lump"
    assert faults["event.three.endpoint"].nearest == "drives"
    assert "metre 900 has passed at the start" in faults["event.five.at"].wrong
    assert faults["faults.plc.drop"].allowed == ("bad", "frozen", "close")
