"""Commands with wrong arguments, absent files, wrong folders: an exit code, a sentence, never a traceback."""

import json
import os

import pytest

from metrepost.commands import exits
from metrepost.configuration.shipped import shipped_config
from support_cli import called
from support_daemon import command

WRONG = [
    (["check", "no-such-line"], exits.CONFIGURATION, "there is no line file"),
    (["run", "no-such-line"], exits.CONFIGURATION, "there is no line file"),
    (["probe", "core-3", "cold-gauge.z"], exits.USAGE, "cold-gauge.x"),
    (["probe", "no-such-line", "--decodings"], exits.CONFIGURATION, "there is no line file"),
    (["probe", "core-3", "--json", "--csv"], exits.USAGE, "exclude each other"),
    (["probe", "core-3", "--scan", "input", "9..1", "--endpoint", "gauges"], exits.USAGE, "no range of registers"),
    (["probe", "core-3", "--scan", "input", "0..65536", "--endpoint", "gauges"], exits.USAGE, "65535"),
    (["probe", "core-3", "--scan", "output", "0..1", "--endpoint", "gauges"], exits.USAGE, "holding"),
    (["probe", "core-3", "--scan", "input", "0..1"], exits.USAGE, "--endpoint NAME"),
    (["probe", "core-3", "--scan", "input", "0..1", "--endpoint", "plc"], exits.USAGE, "drives, gauges"),
    (["probe", "core-3", "--scan", "input", "0..1", "--endpoint", "gauges", "--rate", "51"], exits.USAGE, "at most 50"),
    (["probe", "core-3", "--scan", "input", "0..1", "--endpoint", "gauges", "--unit-id", "256"], exits.USAGE, "0 to 255"),
    (["probe", "core-3", "cold-gauge.x", "--scan", "input", "0..1"], exits.USAGE, "neither tags"),
    (["probe", "core-3", "--endpoint", "gauges"], exits.USAGE, "goes with"),
    (["probe", "core-3", "--browse", "--endpoint", "gauges"], exits.USAGE, "OPC UA endpoints are: plc"),
    (["probe", "core-3", "--rate", "3"], exits.USAGE, "go with --scan"),
    (["probe", "core-3", "--browse", "Objects/A", "Objects/B"], exits.USAGE, "one path"),
    (["probe", "core-3", "--browse", "--scan", "input", "0..1"], exits.USAGE, "give one of them"),
    (["export", "core-3", "--state", "{tmp}/none"], exits.STATE, "no journal"),
    (["load", "core-3", "--state", "{tmp}/none"], exits.STATE, "no journal"),
    (["act", "core-3", "note", "--text", "x"], exits.CONFIGURATION, "opens no door"),
    (["export", "core-3", "--stream", "nonsense"], exits.USAGE, "nonsense"),
    (["run", "core-3", "--state", "{tmp}/file"], exits.STATE, "file"),
    (["run", "core-3", "--log-level", "loud"], exits.USAGE, "loud"),
    (["schema", "nonsense"], exits.USAGE, "there is no schema"),
    (["demo", "--for", "soon"], exits.USAGE, "no duration"),
    (["demo", "--for", "2s", "--broker", "mqtt://127.0.0.1:9"], exits.UNREACHABLE, "does not answer"),
    (["demo", "--broker", "http://x"], exits.USAGE, "broker"),
    (["simulate", "core-3", "--scenario", "nonsense", "--free-ports"], exits.FAILED, "nonsense"),
    (["nonsense"], exits.USAGE, "nonsense"),
]


@pytest.mark.parametrize(("arguments", "code", "words"), WRONG, ids=lambda v: " ".join(v) if isinstance(v, list) else None)
def test_wrong_calls_end_with_a_code_and_a_sentence(tmp_path, monkeypatch, capsys, arguments, code, words):
    (tmp_path / "file").write_text("not a folder")
    found, said = called(tmp_path, monkeypatch, capsys, *(a.format(tmp=tmp_path) for a in arguments))
    assert found == code, said
    assert words in said


def test_a_wrong_line_file_is_refused_whole_with_every_fault(tmp_path):
    text = (shipped_config() / "core-3.toml").read_text()
    bad = text.replace('reference = "capstan"', 'reference = "capstn"').replace('poll = "20 ms"', 'poll = "20 mm"', 1)
    (tmp_path / "bad.toml").write_text(bad)
    result = command("check", tmp_path / "bad.toml", folder=tmp_path)
    assert result.returncode == exits.CONFIGURATION
    assert "capstan" in result.stderr
    assert "endpoint.gauges.poll" in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_state_folder_is_refused(tmp_path):
    (tmp_path / "state").mkdir(mode=0o500)
    result = command("run", "core-3", "--state", tmp_path / "state")
    assert result.returncode == exits.STATE


def test_check_judges_the_shipped_line():
    result = command("check", "core-3")
    assert result.returncode == 0
    assert "no fault" in result.stdout
    body = json.loads(command("check", "core-3", "--json").stdout)
    assert body["source"] == "/northmere/extrusion/core-3"
    assert body["notes"]


def test_schema_prints_and_writes_all(tmp_path):
    names = command("schema").stdout.split()
    assert "asyncapi" in names
    assert command("schema", "--out", tmp_path / "schemas").returncode == 0
    assert {p.stem for p in (tmp_path / "schemas").iterdir()} == set(names)
    for name in names[:3]:
        assert json.loads(command("schema", name).stdout)


def test_version_and_help():
    assert command("--version").stdout.startswith("metrepost ")
    assert "safety" in command("--help").stdout
