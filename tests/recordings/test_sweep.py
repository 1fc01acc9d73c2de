"""A setting tried at several values on one recording: two lumps whose heights are known, so that what each height finds is too."""

import asyncio
import json
import xml.etree.ElementTree as ET

import pytest

from metrepost.commands import main, rehearse_sweep
from metrepost.commands.rehearse_sweep import one_value
from metrepost.configuration.shipped import shipped_config
from metrepost.recordings.recorder import Recorder
from metrepost.recordings.rehearsal import AlarmTally, Raised
from metrepost.recordings.sweep import Sweep, SweepError, Tried, judged, read_sweep, rules_of
from metrepost.recordings.sweep_picture import picture
from metrepost_sim.direct import BIG_BARS, DirectLine, Polling
from metrepost_sim.motion import SpeedPoint
from metrepost_sim.scenario import Scenario
from support_daemon import command
from support_simulators import ring

LINE = shipped_config() / "core-3.toml"
LUMPS = ((1010.0, 0.15), (1020.0, 0.10))
"""Metre and height; a lump all round shows its whole height."""


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """50 s at 120 m/min of both gauges, with the truth beside it."""
    folder = tmp_path_factory.mktemp("sweep")
    scenario = Scenario("small", 1, 50.0, 120.0, (SpeedPoint(0.0, 120.0),), flaws=tuple(ring(*lump) for lump in LUMPS))
    line = DirectLine(scenario, Polling(tags=BIG_BARS))
    items = list(line)

    async def record():
        recorder = Recorder(folder / "recording", "core-3", items[0].time)
        for item in items:
            recorder.note(item)
        await recorder.close()

    asyncio.run(record())
    line.truth.write(folder / "truth.jsonl")
    return folder


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("a.height=0.02 mm..0.08 mm/4", ("0.02 mm", "0.04 mm", "0.06 mm", "0.08 mm")),
        ("a.height=20 um..0.08 mm/3", ("20 um", "50 um", "80 um")),
        ("a.limit = 2..10/5", (2, 4, 6, 8, 10)),
        ("a.limit=0..1/3", (0.0, 0.5, 1.0)),
        ("a.height=0.1 mm, 5 mm,2", ("0.1 mm", "5 mm", 2)),
    ],
)
def test_what_can_be_tried(text, values):
    found = read_sweep(text)
    assert (found.rule, found.values) == ("a", values)


def test_a_key_within_a_table():
    found = read_sweep("cold-lump.witness.max_length=80 mm,100 mm")
    assert found.overrides("80 mm") == {"cold-lump": {"witness": {"max_length": "80 mm"}}}
    assert len(read_sweep("a.b=1 m..2 m").values) == 8


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("cold-lump", "write RULE.KEY=FROM..TO"),
        ("height=1..2", "write RULE.KEY=FROM..TO"),
        ("a.b=", "write RULE.KEY=FROM..TO"),
        ("a..b=1,2", "write RULE.KEY=FROM..TO"),
        ("a.b=1 mm..2 degC", "with one unit"),
        ("a.b=1 mm..2", "with one unit"),
        ("a.b=one..two", "with one unit"),
        ("a.b=1..2/1", "2 to 200"),
        ("a.b=1..2/999", "2 to 200"),
        ("a.b=" + ",".join("1" for _ in range(201)), "at most 200"),
        ("a.b=nan..2", "is no value"),
    ],
)
def test_what_cannot(text, words):
    with pytest.raises(SweepError, match=words):
        read_sweep(text)


def test_hits_and_alarms_on_no_flaw_counted_by_hand():
    """Flaws at 10, 20 and 90 m, seen from 5 to 50 m; alarms at 10.1 m (one flaw), 19.9 to 20.3 m and 30 m (none)."""

    def raised(start, end):
        return Raised(start, start, end, 0.0, "", 0.0, None, "mm")

    alarms = {
        "lump-a.lump": AlarmTally("lump-a.lump", "product", "high", False, [raised(10.1, 10.2), raised(30.0, 30.1)]),
        "lump.lump": AlarmTally("lump.lump", "product", "high", False, [raised(19.9, 20.3)]),
        "lumps.lump": AlarmTally("lumps.lump", "product", "high", False, [raised(44.0, 44.1)]),  # another rule
    }
    truth = [(9.99, 10.01), (20.0, 20.05), (90.0, 90.1)]
    rules = rules_of("lump", ["lump-a", "lump-b", "lumps"])  # a table with for_each makes no rule of its own name
    assert judged(rules, alarms, truth, (5.0, 50.0)) == (2, 1, 1)
    assert judged(rules | {"lump"}, alarms, truth, (5.0, 50.0)) == (2, 2, 1)
    assert judged(rules, {}, truth, (5.0, 50.0)) == (2, 0, 0)


def test_a_rule_of_that_name_is_meant_alone():
    names = ["spark", "spark-faults", "zone-1", "zone-2", "zones"]
    assert rules_of("spark", names) == {"spark"}, "spark-faults is another rule"
    assert rules_of("zone", names) == {"zone-1", "zone-2"}
    assert rules_of("nothing", names) == frozenset()


def test_a_recording_that_went_meanwhile_is_a_row_that_says_so(tmp_path):
    tried = one_value(LINE, tmp_path / "gone", Sweep("cold-lump", ("height",), ("0.06 mm",)), 0, None)
    assert tried.refused == "there is no such file"


def test_each_height_finds_the_lumps_above_it(recorded):
    truth = tuple((metre - 0.05, metre + 0.05) for metre, _ in LUMPS)
    sweep = Sweep("cold-lump", ("height",), ("0.06 mm", "0.12 mm", "0.2 mm", "3 degC"))
    tried = [one_value(LINE, recorded / "recording", sweep, n, truth) for n in range(4)]
    assert [(one.own, one.hits, one.flaws, one.beside) for one in tried[:3]] == [(2, 2, 2, 0), (1, 1, 2, 0), (0, 0, 2, 0)]
    assert "dimension" in tried[3].refused, tried[3]


def test_the_command_tells_table_picture_and_json(recorded, tmp_path):
    svg = tmp_path / "sweep.svg"
    ended = command(
        "rehearse", "core-3", recorded / "recording", "--sweep", "cold-lump.height=0.06 mm,0.12 mm,-1 mm",
        "--svg", svg, "--truth", recorded / "truth.jsonl", "--json", timeout=120,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    body = json.loads(ended.stdout)
    assert body["setting"] == "cold-lump.height"
    assert [(one["value"], one["own"], one["hits"]) for one in body["tried"][:2]] == [("0.06 mm", 2, 2), ("0.12 mm", 1, 1)]
    assert body["tried"][2]["refused"]
    assert "refused" in svg.read_text()
    ET.fromstring(svg.read_text())


def test_the_picture_is_sound_whatever_the_names():
    tried = [Tried(value='<&"', own=3, hits=1, flaws=2), Tried(value="b", refused="no")]
    root = ET.fromstring(picture('a.<b>&"', tried))
    words = [text.text for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert {'<&"', "refused", "flaws found of 2", 'a.<b>&"'} <= set(words)
    ET.fromstring(picture("a.b", [Tried(value=1, refused="no")]))


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (["--sweep", "cold-lump.height"], 2, "write RULE.KEY"),
        (["--sweep", "cold-lmp.height=1 mm,2 mm"], 2, "nearest: cold-lump"),
        (["--sweep", "cold-lump.hight=1 mm,2 mm"], 3, "no value of cold-lump.hight could be tried: there is no such key"),
        (["--sweep", "cold-lump.height=1 mm,2 mm", "--truth", "absent"], 3, "cannot be read"),
        (["--sweep", "cold-lump.height=1 mm,2 mm", "--truth", str(LINE)], 3, "is no truth"),
        (["--sweep", "cold-diameter.deadband=1 um,2 um", "--truth", "absent"], 2, "only rules of kind flaw"),
        (["--sweep", "cold-lump.height=1 mm,2 mm", "--svg", "no/such/folder.svg"], 4, "cannot be written"),
        (["--sweep", "cold-lump.height=1 mm,2 mm", "--out", "there"], 2, "neither --out nor --against"),
        (["--svg", "there.svg"], 2, "goes with --sweep only"),
    ],
)
def test_wrong_calls(recorded, tmp_path, monkeypatch, capsys, options, code, words):
    monkeypatch.chdir(tmp_path)
    if code == 4:  # the picture comes after the rehearsals, which are not the matter here
        monkeypatch.setattr(rehearse_sweep, "_all", lambda *_, **__: [Tried(value=1)])
    if "hight" in options[1]:
        monkeypatch.setattr(
            rehearse_sweep,
            "_all",
            lambda line, recording, sweep, flaws, _, quiet: [one_value(line, recording, sweep, 0, flaws)],
        )
    monkeypatch.setattr("sys.argv", ["metrepost", "rehearse", "core-3", str(recorded / "recording"), *options])
    with pytest.raises(SystemExit) as ended:
        main.main()
    assert ended.value.code == code
    said = capsys.readouterr().err
    assert words in " ".join(said.replace("│", " ").split()), said
