"""`metrepost points` against real Modbus and OPC UA servers: tried, kept, void, waived, signed, printed."""

import asyncio
import csv
import fcntl
import json
import os
import re

import pytest

from metrepost.commands import exits, points_ask
from metrepost.commands.main import app as main_app
from metrepost.configuration.faults import ConfigurationError
from metrepost.journal.lock import NAME
from support_points import Terminal, call, int32, plant, write_line

GOOD = """
format = 1
by = "Kim"
[point.gauge]
x = { reference = "4.800 mm", tolerance = "2 um", remark = "pin 12" }
y = { reference = "4.800 mm", tolerance = "0.001 mm", by = "Robin" }
x_max = { reference = "4.810 mm", tolerance = "0.001 mm" }
[point.capstan]
speed = { reference = "1 m/s", tolerance = "0.1 m/min" }
[point.trough.water]
reference = "333.65 K"
tolerance = "0.5 K"
"""


def references(folder, text=GOOD, name="references.toml"):
    (folder / name).write_text(text)
    return folder / name


def states(result):
    return {row["point"]["tag"]: row["state"] for row in json.loads(result.stdout)["rows"]}


async def test_a_line_is_proven_signed_and_void_where_it_changes(tmp_path):
    async with plant(tmp_path) as (run, device, server):
        result = await run("--status", "--json")
        assert (result.exit_code, set(states(result).values())) == (exits.OPEN, {"open", "derived"})
        assert not (tmp_path / "state").exists()

        result = await run("--from", references(tmp_path), "--json", "--html", tmp_path / "s.html", "--csv", tmp_path / "s.csv")
        assert result.exit_code == exits.OK, result.stdout
        rows = {row["point"]["tag"]: row for row in json.loads(result.stdout)["rows"]}
        x = rows["gauge.x"]
        assert (x["point"]["place"], x["point"]["decoding"]) == ("unit 1, input 11, counted from 1", "int32, words big")
        assert (x["last"]["value"], x["last"]["raw"], x["last"]["by"]) == (pytest.approx(4.8012), "0x0000 0xBB8C", "Kim")
        assert (x["last"]["difference"], x["last"]["allowed"]) == (pytest.approx(0.0012), pytest.approx(0.002))
        assert rows["gauge.y"]["last"]["by"] == "Robin"
        assert rows["capstan.speed"]["last"]["reference"] == pytest.approx(60.0)
        assert rows["trough.water"]["last"]["reference"] == pytest.approx(60.5)
        assert rows["gauge.diameter"]["state"] == "derived"
        assert rows["gauge.diameter"]["point"]["place"] == "mean(gauge.x, gauge.y)"
        assert sum(start == 20 for _, start, _ in device.asked) == 2  # what had gathered is read away first
        assert "4.8012" in (tmp_path / "s.html").read_text()
        assert len(list(csv.DictReader((tmp_path / "s.csv").read_text().splitlines()))) == 6

        result = await run("--sign", "--by", "Robin", "--remark", "handed over")
        assert result.exit_code == exits.OK
        assert "signed by Robin" in result.stdout
        assert "does not hold" not in result.stdout

        write_line(tmp_path, device.port, server.port, **{"register = 13, valid": "register = 13, scale = 0.0002, valid"})
        device.asked.clear()
        result = await run("--status")
        assert result.exit_code == exits.OPEN
        assert re.search(r"gauge\.y +VOID .*sign-off void: scale was 0\.0001, is 0\.0002", result.stdout)
        assert "does not hold today: tags were added, taken out or wired otherwise" in result.stdout
        assert device.asked == []

        result = await run("--from", references(tmp_path), "--json")
        y = next(row for row in json.loads(result.stdout)["rows"] if row["point"]["tag"] == "gauge.y")
        assert result.exit_code == exits.FAILED
        assert (y["state"], y["before"]["value"], y["last"]["value"]) == ("fail", pytest.approx(4.7995), pytest.approx(9.599))
        result = await run("--sign", "--by", "Robin")
        assert (result.exit_code, result.exception.code) == (1, exits.FAILED)
        assert "gauge.y (fail)" in str(result.exception)


async def test_bad_quality_never_passes(tmp_path):
    async with plant(tmp_path, x=480120, opcua=False) as (run, _, _):
        only = GOOD.replace('"4.800 mm", tolerance = "2 um"', '"48.012 mm", tolerance = "1 mm"')
        result = await run("--from", references(tmp_path, only), "--only", "gauge.x", "--json")
    assert result.exit_code == exits.FAILED
    (row,) = json.loads(result.stdout)["rows"]
    assert (row["state"], row["last"]["quality"]) == ("fail", "bad")
    assert "range" in row["last"]["reason"]


def test_a_point_whose_device_is_absent_has_failed_and_says_why(tmp_path):
    write_line(tmp_path)
    result = call(tmp_path, "--from", references(tmp_path), "--only", "gauge.y", "--json")
    (row,) = json.loads(result.stdout)["rows"]
    assert (result.exit_code, row["state"], row["last"]["value"]) == (exits.FAILED, "fail", None)
    assert "not connected" in row["last"]["reason"]


async def test_beside_a_daemon_nothing_that_a_read_clears_is_read(tmp_path):
    async with plant(tmp_path, opcua=False) as (run, device, _):
        (tmp_path / "state").mkdir()
        daemon = os.open(tmp_path / "state" / NAME, os.O_RDWR | os.O_CREAT)
        os.write(daemon, b"4242\n")
        fcntl.flock(daemon, fcntl.LOCK_EX)
        try:
            result = await run("--from", references(tmp_path), "--json")
        finally:
            os.close(daemon)
    assert result.exit_code == exits.FAILED
    assert states(result) == {
        "gauge.x": "pass", "gauge.y": "pass", "gauge.x_max": "open", "capstan.speed": "pass", "trough.water": "fail",
        "gauge.diameter": "derived",
    }  # fmt: skip
    assert "process 4242" in result.stderr
    assert "gauge.x_max: not read" in result.stderr
    assert not any(start <= 20 < start + count or start <= 21 < start + count for _, start, count in device.asked)


async def test_asked_tag_by_tag_skipped_ended_and_gone_on_with(tmp_path):
    async with plant(tmp_path) as (run, device, _):
        answers = [
            "",  # speed is skipped
            "nonsense", "1 bar", "4.8 mm", "-1", "2 um", "",  # x: what is wrong is asked again
            "pin 12",
            "4.9", "0.01", "", "", "a", "4.8", "", "", "second try",  # y: fails, and again with the allowed difference of before
            "q",
        ]  # fmt: skip
        result = await run("--by", "Kim", typed="\n".join(answers))
        assert result.exit_code == exits.OPEN, result.stdout
        said = result.stdout
        assert "no quantity" in said
        assert "measure different things" in said
        assert "0 or more" in said
        assert "live 4.8012 mm, good" in said
        assert "fail: off by -0.1005" in said
        rows = {row["point"]["tag"]: row for row in json.loads((await run("--status", "--json")).stdout)["rows"]}
        assert {tag: row["state"] for tag, row in rows.items()} == {
            "capstan.speed": "open", "gauge.x": "pass", "gauge.y": "pass", "gauge.x_max": "open", "trough.water": "open",
            "gauge.diameter": "derived",
        }  # fmt: skip
        assert rows["gauge.x"]["last"]["remark"] == "pin 12"
        assert (rows["gauge.y"]["trials"], rows["gauge.y"]["last"]["allowed"]) == (2, 0.01)

        typed = "60\n0.1\n\n\nw\n\nw\nno reference yet\n60.5 degC\n1 K\n\n\n"
        result = await run("--by", "Kim", typed=typed)
        assert result.exit_code == exits.OK, result.stdout
        assert "[1/3] capstan.speed" in result.stdout
        assert "waived: no reference yet" in result.stdout
        assert not any(start == 20 for _, start, _ in device.asked)


async def test_on_a_terminal_the_live_value_is_shown_until_enter(tmp_path, monkeypatch):
    monkeypatch.setattr(points_ask, "_REFRESH", 0.05)
    async with plant(tmp_path, opcua=False) as (_, device, _):
        with Terminal(monkeypatch) as terminal:
            asked = asyncio.create_task(
                asyncio.to_thread(main_app, ["points", str(tmp_path / "line.toml"), "--state", str(tmp_path / "state"),
                                             "--by", "Kim", "--only", "gauge.x"], standalone_mode=False)
            )  # fmt: skip
            await terminal.said("reference applied")
            terminal.type("4.8\n")
            await terminal.said("allowed difference")
            terminal.type("0.01\n")
            for _ in range(3):
                await terminal.said("live 4.8012 mm, good. Enter reads")
            count = len(device.asked)
            terminal.type("\n")
            await terminal.said("remark")
            terminal.type("pin 12\n")
            await terminal.said("pass")
            assert not await asked  # the exit code
    assert count >= 3
    assert len(device.asked) > count
    (row,) = json.loads((await asyncio.to_thread(call, tmp_path, "--status", "--only", "gauge.x", "--json")).stdout)["rows"]
    assert (row["state"], row["last"]["remark"]) == ("pass", "pin 12")


def test_waived_with_a_reason_or_not_at_all(tmp_path):
    write_line(tmp_path)
    assert call(tmp_path, "--waive", "gauge.x", "--by", "Kim").exception.code == exits.USAGE
    assert call(tmp_path, "--waive", "gauge.x", "--remark", "broken").exception.code == exits.USAGE
    assert "computed" in str(call(tmp_path, "--waive", "gauge.diameter", "--by", "K", "--remark", "r").exception)
    result = call(tmp_path, "--waive", "gauge.x", "--by", "Kim", "--remark", "broken", "--only", "gauge.x", "--json")
    assert (result.exit_code, states(result)) == (exits.OK, {"gauge.x": "waived"})
    result = call(tmp_path, "--sign", "--by", "Kim")
    assert result.exception.code == exits.OPEN
    assert "gauge.y (not done)" in str(result.exception)


WRONG = """
format = 1
signed = true
[point.gauge]
xx = { reference = "4.8 mm", tolerance = "1 um" }
x = { reference = "4.8 bar", tolerence = "1 um" }
y = { reference = "4.8 mm", tolerance = "-1 um" }
diameter = { reference = "4.8 mm", tolerance = "1 um" }
x_max = { reference = "4.8 mm", waive = "why" }
[point.capstan]
speed = { reference = "60 m/min" }
"""


def faults(folder, file, *more):
    error = call(folder, "--from", file, *more).exception
    assert isinstance(error, ConfigurationError), error
    return {(f.line, f.key_path): f for f in error.faults}, str(error)


def test_a_wrong_file_is_refused_whole_with_every_fault(tmp_path):
    write_line(tmp_path)
    found, text = faults(tmp_path, references(tmp_path, WRONG))
    assert {place: bool(f.nearest) for place, f in found.items()} == {
        (3, "signed"): False,
        (5, "point.gauge.xx"): True,
        (6, "point.gauge.x.tolerence"): True,
        (7, "point.gauge.y.by"): False,
        (7, "point.gauge.y.tolerance"): False,
        (8, "point.gauge.diameter"): False,
        (9, "point.gauge.x_max.by"): False,
        (9, "point.gauge.x_max.waive"): False,
        (11, "point.capstan.speed.by"): False,
        (11, "point.capstan.speed.tolerance"): False,
    }, text
    assert "Nothing was read and nothing was kept" in text
    assert not (tmp_path / "state").exists()
    found, _ = faults(
        tmp_path, references(tmp_path, "format = 1\n[point.gauge.x]\nreference = '1 bar'\ntolerance = '1 um'"), "--by", "K"
    )
    assert "measure different things" in found[3, "point.gauge.x.reference"].wrong
    found, _ = faults(tmp_path, references(tmp_path, "format = 1"))
    assert "names no point" in found[0, ""].wrong


def test_a_spreadsheet_with_decimal_commas_is_understood_and_its_faults_have_lines(tmp_path):
    write_line(tmp_path)
    rows = "tag;reference;tolerance;accept_uncertain\ngauge.x;4,800 mm;2 um;perhaps\ngauge.x;4,8 mm;1 um;\n;1;1;\ngauge.z;1 mm;1 mm;yes"
    found, text = faults(tmp_path, references(tmp_path, rows, "r.csv"), "--by", "Kim")
    assert {line for line, _ in found} == {2, 3, 4, 5}, text
    assert found[5, "gauge.z"].nearest == "gauge.y", text


async def test_a_csv_of_references_does_the_same(tmp_path):
    async with plant(tmp_path, opcua=False) as (run, _, _):
        rows = "tag;reference;tolerance;remark;waive\ngauge.x;4,800 mm;0,002 mm;pin 12;\ngauge.y;;;;no gauge\n"
        result = await run("--from", references(tmp_path, rows, "r.csv"), "--by", "Kim", "--json")
    assert states(result)["gauge.x"] == "pass"
    assert states(result)["gauge.y"] == "waived"


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ([], exits.USAGE, "--by NAME"),
        (["--sign"], exits.USAGE, "--by NAME"),
        (["--by", " ", "--status"], exits.USAGE, "printable"),
        (["--by", "K\n", "--sign", "--status"], exits.USAGE, "choose one"),
        (["--status", "--only", "gauge.z"], exits.USAGE, "gauge.x"),
        (["--waive", "gauge.z", "--by", "K", "--remark", "r"], exits.USAGE, "gauge.x"),
        (["--status", "--html", "no-such-folder/x.html"], exits.STATE, "cannot be written"),
    ],
)
def test_wrong_calls_are_sentences(tmp_path, arguments, code, words):
    write_line(tmp_path)
    error = call(tmp_path, *arguments).exception
    assert (error.code, words in str(error)) == (code, True), error


def test_the_words_of_a_register():
    assert int32(48012) == (0, 0xBB8C)
