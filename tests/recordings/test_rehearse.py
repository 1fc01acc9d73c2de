"""Recorded, then rehearsed: the events of the first run field for field. The first run is a core fed by the simulator."""

import csv
import json

import pytest

from metrepost.assembly import assemble
from metrepost.configuration.load import load_line
from metrepost.configuration.shipped import shipped_config, shipped_rules
from metrepost.events import Event, RollupOut
from metrepost.publish.cloudevents import envelope
from metrepost.readings import Act, Reading, Tick
from metrepost.recordings.recorder import Recorder
from metrepost_sim.direct import DirectLine
from metrepost_sim.motion import SpeedPoint
from metrepost_sim.scenario import Scenario
from support_daemon import command
from support_simulators import ring

OURS = ("id", "sequence", "source")
"""What a rehearsal's rows may have of their own: the epoch is within the id."""


@pytest.fixture(scope="module")
def line():
    return load_line(shipped_config() / "core-3.toml")


@pytest.fixture(scope="module")
def inputs():
    """50 s at 120 m/min with two lumps that pass the cold gauge, an act of a person and one of an endpoint."""
    flaws = (ring(1010.0, 0.15), ring(1020.0, 0.12))
    items = list(DirectLine(Scenario("small", 1, 50.0, 120.0, (SpeedPoint(0.0, 120.0),), flaws=flaws)))
    at = items[len(items) // 2].time
    middle = [Act("note", at, who="Kim", text='a "quoted", word'), Act("acknowledge", at, who="Kim", alarm="cold-lump.lump")]
    return items[: len(items) // 2] + middle + items[len(items) // 2 :]


def live(line, inputs):
    """The events and rollups of the run that was recorded."""
    core = assemble(line)
    told = {"event": [], "rollup": []}
    for item in inputs:
        for out in core.feed(item):
            if isinstance(out, Event | RollupOut):
                stream = "event" if isinstance(out, Event) else "rollup"
                told[stream].append(bare(json.loads(envelope(out, stream, "a" * 12, len(told[stream]) + 1, "/live"))))
    return told


def bare(row):
    return {key: value for key, value in row.items() if key not in OURS}


def rehearsed(folder):
    return {
        stream: [bare(json.loads(row)) for row in (folder / f"{stream}s.jsonl").read_bytes().splitlines()]
        for stream in ("event", "rollup")
    }


async def test_a_recording_rehearsed_tells_what_was_told_live(line, inputs, tmp_path):
    recorder = Recorder(tmp_path / "recording", "core-3", inputs[0].time)
    for item in inputs:
        recorder.note(item)
    await recorder.close()
    assert recorder.rows == len(inputs)
    ended = command("rehearse", "core-3", tmp_path / "recording", "--out", tmp_path / "out", "--json", timeout=120)
    assert ended.returncode == 0, ended.stderr
    expected = live(line, inputs)
    assert sum(row["type"] == "metrepost.alarm.v1" for row in expected["event"]) > 2, "a run without alarms shows nothing"
    assert rehearsed(tmp_path / "out") == expected
    body = json.loads(ended.stdout)
    assert body["source"] == "/northmere/extrusion/core-3/rehearsal/recording"
    assert body["recording"]["acts"] == sum(isinstance(item, Act) for item in inputs)
    first = json.loads((tmp_path / "out" / "events.jsonl").read_bytes().splitlines()[0])
    assert first["source"] == body["source"]
    assert first["id"] == f"event-{body['epoch']}-{1:020d}"


def written(path, rows, columns=("time", "tag", "value", "quality", "reason", "time_uncertainty")):
    """A recording as an outside script writes it, from the columns of config/README.md alone."""
    with path.open("w", newline="") as stream:
        out = csv.writer(stream)
        out.writerow(columns)
        out.writerows(rows)
    return path


def outside(item):
    at = f"{int(item.time)}{round((item.time - int(item.time)) * 1e9):09d}"
    if isinstance(item, Tick):
        return at, "@tick", "", "", "", ""
    if isinstance(item, Act):
        body = {k: getattr(item, k) for k in ("act", "who", "alarm", "text", "endpoint", "reason") if getattr(item, k)}
        return at, "@act", json.dumps(body), "", "", ""
    quality = item.quality.name.lower()
    return at, item.tag, repr(item.value), "" if quality == "good" else quality, item.reason, repr(item.time_uncertainty)


def test_a_table_by_an_outside_script_tells_the_same(line, inputs, tmp_path):
    file = written(tmp_path / "outside.csv", map(outside, inputs))
    ended = command("rehearse", "core-3", file, "--out", tmp_path / "out", timeout=120)
    assert ended.returncode == 0, ended.stderr
    assert rehearsed(tmp_path / "out") == live(line, inputs)
    assert "cold-lump.lump" in ended.stdout


def test_without_ticks_the_times_make_them(line, inputs, tmp_path):
    readings = [item for item in inputs if isinstance(item, Reading)]
    file = written(tmp_path / "outside.csv", map(outside, readings))
    ended = command("rehearse", "core-3", file, "--out", tmp_path / "out", timeout=120)
    assert ended.returncode == 0, ended.stderr
    fed, due, latest = [], readings[0].time, 0.0
    for item in readings:
        while due < item.time:
            fed.append(Tick(due))
            due += 0.1
        fed.append(item)
        latest = max(latest, item.time)
    while due <= latest:
        fed.append(Tick(due))
        due += 0.1
    assert rehearsed(tmp_path / "out") == live(line, fed)


def test_against_a_changed_rule_set_says_what_would_go_and_where(line, inputs, tmp_path):
    rules = (shipped_rules() / "foam-core.toml").read_text()
    before, found, after = rules.partition("[rule.cold-lump]")
    assert found
    (tmp_path / "changed").mkdir()
    deaf = after.replace('height = "product.lump"', 'height = "0.6 mm"', 1)  # ten times as much: nothing is a lump any longer
    assert deaf != after
    (tmp_path / "changed" / "foam-core.toml").write_text(before + found + deaf)
    file = written(tmp_path / "outside.csv", map(outside, inputs))
    ended = command("rehearse", "core-3", file, "--against", tmp_path / "changed", "--json", timeout=110)
    assert ended.returncode == 0, ended.stderr
    body = json.loads(ended.stdout)
    told = {one["alarm"]: one for one in body["against"]["alarms"]}
    lump = told.pop("cold-lump.lump")
    assert (lump["before"], lump["after"], lump["same"]) == (2, 0, 0)
    assert [round(one["metre"]) for one in lump["removed"]] == [1010, 1020]
    assert all(one["added"] == one["removed"] == [] for one in told.values())
    load, less = body["load"]["classes"]["product"], body["against"]["load"]["classes"]["product"]
    assert load["last_day"] - less["last_day"] == 2
    assert body["epoch"] != body["against"]["epoch"]
