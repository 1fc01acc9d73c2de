"""Real processes: `record` killed in the middle, `run --record` rehearsed."""

import json
import signal
import time

from support_daemon import Process, command, line_folder, simulated, wait_for_event

NO_BROKER = 1
"""A port where nobody listens: a line is watched and recorded without a broker."""


def wait_for_chunks(folder, number):
    until = time.monotonic() + 60
    while len(list(folder.glob("*.parquet"))) < number:
        assert time.monotonic() < until, f"no {number} chunks within a minute"
        time.sleep(0.05)  # a folder gives no event to wait for


def rows(text):
    found = [json.loads(row) for row in text.splitlines()]
    found = [row for row in found if row["type"] != "metrepost.configuration.v1"]  # the shell's own: start and stop
    return [{k: v for k, v in row.items() if k not in ("id", "sequence", "source")} for row in found]


def test_killed_and_stopped_recordings_can_be_rehearsed(tmp_path):
    """One story in one test, because starting the line costs seconds."""
    with simulated(tmp_path, "--scenario", "demo") as (_sim, addresses):
        file = line_folder(tmp_path, addresses, NO_BROKER)
        killed, whole = tmp_path / "killed", tmp_path / "whole"
        with Process("record", file, "--out", killed, "--chunk", "1s", folder=tmp_path) as recording:
            wait_for_chunks(killed, 2)
            recording.stop(signal.SIGKILL)
        (killed / ".half.parquet.part").write_bytes(b"PAR1")
        with Process("run", file, "--state", tmp_path / "state", "--record", whole, folder=tmp_path) as daemon:
            daemon.wait_for("watching", 60)
            wait_for_event(tmp_path / "state", "rollup", stream="rollup")
            assert daemon.stop() == 0
    ended = command("rehearse", file, killed, "--json", timeout=110)
    assert ended.returncode == 0, ended.stderr
    held = json.loads(ended.stdout)["recording"]
    assert held["files"] >= 2
    assert held["rows"] > held["ticks"] > 5
    ended = command("rehearse", file, whole / "core-3", "--out", tmp_path / "out", timeout=110)
    assert ended.returncode == 0, ended.stderr
    for stream in ("event", "rollup"):
        live = command("export", file, "--state", tmp_path / "state", "--stream", stream)
        expected = rows(live.stdout)
        assert expected, f"a run without a {stream} shows nothing"
        assert rows((tmp_path / "out" / f"{stream}s.jsonl").read_text()) == expected
