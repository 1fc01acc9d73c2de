"""The daemon and the simulated line as processes, as a plant would run them: `metrepost run` and `metrepost simulate`."""

import contextlib
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from metrepost.configuration.shipped import shipped_config, shipped_rules
from metrepost.journal import Reader

METREPOST = (sys.executable, "-m", "metrepost")


class Process:
    """A `metrepost` command that runs until it is told to stop. A context manager."""

    def __init__(self, *arguments, folder, environ=None):
        self.arguments = [str(a) for a in arguments]
        self.folder = folder
        self.environ = {**os.environ, **(environ or {})}
        self.process = None
        self.log = folder / f"{self.arguments[0]}.log"

    def __enter__(self):
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*METREPOST, *self.arguments],
                cwd=self.folder,
                env=self.environ,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=log,
            )
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        self.process.stdout.close()

    def line(self, timeout=30):
        """The next line of its standard output."""
        ready, _, _ = select.select([self.process.stdout], [], [], timeout)
        assert ready, f"no output within {timeout} s: {self.log.read_text()[-2000:]}"
        return self.process.stdout.readline()

    def stop(self, number=signal.SIGTERM, timeout=20):
        """Send a signal; its exit code."""
        self.process.send_signal(number)
        return self.process.wait(timeout)

    def wait_for(self, words, timeout=20):
        """Wait until its log says `words`."""
        until = time.monotonic() + timeout
        while words not in (text := self.log.read_text()):
            assert time.monotonic() < until, f"{words!r} did not come within {timeout} s: {text[-2000:]}"
            assert self.process.poll() is None, f"ended: {text[-2000:]}"
            time.sleep(0.02)  # a log file gives no event to wait for


def command(*arguments, folder=None, environ=None, timeout=60):
    """Run a `metrepost` command to its end."""
    return subprocess.run(
        [*METREPOST, *(str(a) for a in arguments)],
        cwd=folder,
        env={**os.environ, **(environ or {})},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )


@contextlib.contextmanager
def simulated(folder, *options):
    """A simulated line; gives the process and the addresses."""
    with Process("simulate", "core-3", "--free-ports", "--truth", folder / "truth.jsonl", *options, folder=folder) as sim:
        yield sim, json.loads(sim.line())["addresses"]


def line_folder(folder: Path, addresses: dict[str, str], broker: int, extra: str = "") -> Path:
    """A plant's own copy of the line file and rules, with real addresses; the path of the line file."""
    plant = folder / "plant"
    shutil.copytree(shipped_config(), plant / "config")
    shutil.copytree(shipped_rules(), plant / "rules")
    file = plant / "config" / "core-3.toml"
    text = file.read_text()
    for name, default in (
        ("gauges", "127.0.0.1:5020"),
        ("drives", "127.0.0.1:5021"),
        ("plc", "opc.tcp://127.0.0.1:4840/northmere/core-3"),
    ):
        assert default in text
        text = text.replace(f'"{default}"', f'"{addresses[name]}"')
    text = text.replace("mqtt://127.0.0.1:1883", f"mqtt://127.0.0.1:{broker}")
    file.write_text(text + extra)
    return file


def wait_for_event(state: Path, kind: str, timeout=60, stream="event", **data):
    """Wait until the journal of core-3 holds such an event (or rollup); its data. Read beside the daemon, as `export` does."""
    until, after = time.monotonic() + timeout, 0
    while time.monotonic() < until:
        with Reader(state, "core-3") as reader:
            for row in reader.export(stream, f"{reader.epoch}:{after}"):
                after = row.sequence
                event = json.loads(row.payload)
                if event["type"] == f"metrepost.{kind}.v1" and all(event["data"].get(k) == v for k, v in data.items()):
                    return event["data"]
        time.sleep(0.05)  # a journal gives no event to wait for across processes
    raise AssertionError(f"no {kind} {data} within {timeout} s")
