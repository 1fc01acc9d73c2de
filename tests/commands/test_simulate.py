"""`metrepost simulate` in process: any line file, scenario files, faults; what is wrong is told before anything listens."""

import json

import pytest
from typer.testing import CliRunner

from metrepost.commands.main import app
from metrepost.commands.trouble import CommandError
from metrepost.configuration.faults import ConfigurationError
from support_any_line import unseen_line


def simulate(folder, *options):
    unseen_line(folder)
    return CliRunner().invoke(app, ["simulate", str(folder / "core-9.toml"), "--free-ports", *options])


def test_any_line_is_served_with_a_scenario_file_and_leaves_its_truth(tmp_path):
    (tmp_path / "mine.toml").write_text('format = 1\n[event.lump]\nkind = "lump"\nat = "0.1 s"\nheight = "0.3 mm"\n')
    truth = tmp_path / "truth.jsonl"
    options = ("--scenario", str(tmp_path / "mine.toml"), "--faults", "line-a: drop@1%", "--for", "1s", "--truth", str(truth))
    result = simulate(tmp_path, *options)
    assert result.exception is None, result.output
    body = json.loads(result.stdout)
    assert body["scenario"] == "mine"
    assert body["addresses"].keys() == {"line-a", "gateway", "hall"}
    assert body["addresses"]["hall"].endswith("/hall")
    assert "not simulated" in body["not_simulated"]["broker"]
    rows = [json.loads(row) for row in truth.read_text().splitlines()]
    assert [row["kind"] for row in rows] == ["header", "lump"]
    assert (rows[0]["line"], rows[0]["hot"], rows[0]["cold"], rows[0]["witness"]) == (
        "/northmere/-/core-9",
        2.0,
        40.0,
        "peak-hold",
    )


@pytest.mark.parametrize(
    ("options", "kind", "words"),
    [
        (("--scenario", "demo"), CommandError, "needs the stations of the demonstration line; any line can have steady"),
        (
            ("--scenario", "nonsense"),
            CommandError,
            "no scenario 'nonsense'; there are steady, demo, bars, healthy, bad, lump-wipe",
        ),
        (("--scenario", "absent.toml"), ConfigurationError, "there is no such file"),
        (("--faults", "hall: drop@1%"), ConfigurationError, "an endpoint of protocol opcua has no such fault"),
        (("--faults", "nonsense"), ConfigurationError, "write ENDPOINT: FAULT@SHARE"),
    ],
)
def test_what_cannot_be_is_refused_in_words(options, kind, words, tmp_path):
    result = simulate(tmp_path, *options)
    assert isinstance(result.exception, kind), result.output
    assert words in str(result.exception)
