"""A SIGKILL spares what the kernel still has to write; a power cut does not. Every row that was told to the broker is asked of the disk
at hundreds of moments of a real run, with all that was not synced dropped, or written in part and in any order."""

import random
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from power_cut import STRACE, Disk, Sync, Told, lasts, operations

from support_broker import Broker, Recorder
from support_daemon import METREPOST, line_folder, simulated

pytestmark = pytest.mark.broker
ENOUGH = 200  # rollups
POINTS = 250
"""Moments looked at, each twice: with all that was not synced dropped, and with a random part of it kept."""


def may_trace():
    if shutil.which("strace") is None:
        return False
    return subprocess.run(["strace", "-o", "/dev/null", "true"], capture_output=True, check=False).returncode == 0


@pytest.fixture(scope="module")
def traced():
    if not may_trace():
        pytest.skip("strace is missing, or this kernel lets nobody trace")


def trace_of(tmp_path, program):
    """The operations of a daemon that ran beside a broker and a line for a while."""
    state, trace = (tmp_path / "state").resolve(), tmp_path / "trace"
    with (
        Broker(tmp_path / "broker") as broker,
        Recorder(broker.port) as seen,
        simulated(tmp_path, "--scenario", "demo") as (_, addresses),
    ):
        file = line_folder(tmp_path, addresses, broker.port)
        text = file.read_text()
        assert '["100 m", "1 km"]' in text
        file.write_text(text.replace('["100 m", "1 km"]', '["0.5 m", "100 m"]'))
        with (tmp_path / "log").open("wb") as log:
            daemon = subprocess.Popen(
                [*STRACE, "-o", str(trace), *program, "run", str(file), "--state", str(state)],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=log,
            )  # fmt: skip
        try:
            seen.wait(lambda ms: sum("/rollup/" in m.topic for m in ms) > ENOUGH, 90)
        finally:
            # strace hands the end on by ending; the daemon is the tracee
            subprocess.run(["pkill", "-KILL", "-P", str(daemon.pid)], check=False)
            daemon.wait(30)
    return list(operations(trace, state))


def lost(done, tmp_path, points=POINTS):
    """Rows told that a power cut would have lost: (moment, stream, told, durable)."""
    chance = random.Random(1)
    moments = {round(i * (len(done) - 1) / (points - 1)) for i in range(points)}
    # the moments that matter most lie just behind a PUBLISH
    moments |= set(chance.sample([i for i, op in enumerate(done) if isinstance(op, Told)], 20))
    disk, found, looked = Disk(), [], 0
    for moment, operation in enumerate(done):
        disk.feed(operation)
        if moment not in moments:
            continue
        for keep in (None, iter(lambda: chance.random() < 0.5, None)):
            looked += 1
            folder = tmp_path / f"cut-{looked}"
            disk.lay_out(folder, keep=keep)
            durable = lasts(folder / "core-3.sqlite")
            shutil.rmtree(folder)
            found.extend(
                (moment, stream, told, durable.get(stream, 0))
                for stream, told in disk.told.items()
                if durable.get(stream, 0) < told
            )
    return found, looked


@pytest.mark.usefixtures("traced")
def test_what_was_told_is_on_the_disk_at_every_moment(tmp_path):
    done = trace_of(tmp_path, METREPOST)
    assert sum(isinstance(op, Sync) for op in done) > 100
    found, looked = lost(done, tmp_path)
    assert found == []
    assert looked >= 500


@pytest.mark.usefixtures("traced")
def test_a_daemon_that_does_not_sync_is_found_out(tmp_path):
    done = trace_of(tmp_path, (sys.executable, str(Path(__file__).with_name("unsynced_daemon.py"))))
    try:
        found, _ = lost(done, tmp_path, points=20)
    except (AssertionError, sqlite3.DatabaseError) as error:  # a file that is no database any more is found out, too
        found = [str(error)]
    assert found
