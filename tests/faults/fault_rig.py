"""The fault rig: real daemon, broker and line as processes, proxies between them, and one round of harm, judged at its end.

A round makes a line, a broker and a state folder of its own in a folder, does `kills` SIGKILLs and other harm, ends in good order, and
returns what `fault_checker.judge` says. It leaves `records.jsonl` (what the subscriber got), `truth.jsonl`, `actions.jsonl` (the harm
done, wall clock) and the logs in the folder.
"""

import json
import os
import random
import resource
import select
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Self

from fault_checker import Record, Verdict, judge, seconds
from fault_disk import StateDisk
from fault_proxy import Mode, Proxies
from fault_subscriber import Subscriber

from metrepost.configuration.shipped import shipped_config
from metrepost.journal import Reader
from metrepost.publish.cloudevents import STREAMS
from support_broker import Broker

HERE = Path(__file__).parent
ROOT = "metrepost/v1/northmere/extrusion/core-3/"
ENDPOINTS = ("gauges", "drives", "plc")
DAMAGE: tuple[Mode, ...] = ("refuse", "half-open", "delay", "trickle", "corrupt", "duplicate", "reorder")
KINDS = ("broker proxy", "broker restart", "endpoint", "endpoint", "endpoint", "freeze")
"""Harm between two kills, as often as it stands here. There are ``full disk`` (no file can grow) and ``clock`` (the daemon's wall clock
is an hour off for a while, forward or back), ``clock while down`` (it was set back before a start), and those of `DISK_KINDS`."""
DISK_KINDS = ("no space", "forbidden files", "read-only disk")
"""Harm that needs a disk of its own, and root: see `fault_disk.py`."""
STEP = 3600.0
"""s: how far the wall clock is set."""
WRITES_AGAIN = "journal writes again"
READY = 60.0
"""Seconds that a loaded machine may take to start the daemon."""


class Harm:
    """What was done and when, for the judge and for whoever reads the folder. The daemon's log is no part of it."""

    def __init__(self, file: Path) -> None:
        self._file = file.open("a", encoding="utf-8")
        self.spans: list[tuple[float, float]] = []
        self.counts: Counter[str] = Counter()

    def done(self, what: str, began: float) -> None:
        """Write a span of harm down."""
        span = (began, time.time())
        self.spans.append(span)
        self.counts[what] += 1
        self._file.write(json.dumps({"what": what, "from": span[0], "to": span[1]}) + "\n")
        self._file.flush()

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class Daemon:
    """The daemon under test, started again and again on one line file and state folder, by `fault_starter.py`."""

    def __init__(self, file: Path, folder: Path, *, forgetful: bool) -> None:
        self.log = folder / "daemon.log"
        self._step = folder / "clock-step"
        self.set_clock(0.0)
        seeded = ["forgetful"] if forgetful else []
        command = [sys.executable, str(HERE / "fault_starter.py"), str(self.log), str(self._step), *seeded, "--"]
        with (folder / "starter.log").open("ab") as log:
            self._starter = subprocess.Popen(
                [*command, "run", str(file), "--state", str(folder / "state")],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
            )
        self._pid = 0

    def _ask(self, what: str) -> int:
        assert self._starter.stdin is not None
        assert self._starter.stdout is not None
        self._starter.stdin.write(what.encode() + b"\n")
        self._starter.stdin.flush()
        ready, _, _ = select.select([self._starter.stdout], [], [], READY)
        answer = self._starter.stdout.readline() if ready else b""
        if not answer:
            raise RuntimeError(f"no answer to {what!r} from the process that starts daemons")
        return int(answer)

    def start(self) -> None:
        """Start it; does not wait."""
        self._pid = self._ask("start")

    def send(self, number: int) -> None:
        """Send a signal."""
        os.kill(self._pid, number)

    def full(self, seconds: float) -> None:
        """No file of the daemon can grow beyond what its log needs: every write of the journal fails, as on a full disk."""
        before = resource.prlimit(self._pid, resource.RLIMIT_FSIZE)
        room = self.log.stat().st_size + 8192
        resource.prlimit(self._pid, resource.RLIMIT_FSIZE, (room, before[1]))
        time.sleep(seconds)
        resource.prlimit(self._pid, resource.RLIMIT_FSIZE, before)

    def set_clock(self, step: float) -> None:
        """Its wall clock is that many seconds ahead of the machine's from now on."""
        self._step.write_bytes(struct.pack("d", step))

    def end(self, number: int) -> int:
        """Send a signal and wait for the end; its exit code, minus the signal that killed it."""
        os.kill(self._pid, number)
        code = self._ask("wait")
        self._pid = 0
        return code

    def kill(self) -> None:
        """SIGKILL. Raises RuntimeError when it had ended by itself, which it must never do."""
        if (code := self.end(signal.SIGKILL)) != -signal.SIGKILL:
            raise RuntimeError(f"the daemon had ended by itself with {code}: {self.said()}")

    def stop(self) -> None:
        """SIGTERM. Raises RuntimeError when it does not end in good order."""
        if (code := self.end(signal.SIGTERM)) != 0:
            raise RuntimeError(f"the daemon stopped with {code}: {self.said()}")

    def said(self) -> str:
        """The end of its log."""
        return self.log.read_text()[-3000:] if self.log.exists() else "nothing"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pid:
            os.kill(self._pid, signal.SIGCONT)
            self.end(signal.SIGKILL)
        assert self._starter.stdin is not None
        assert self._starter.stdout is not None
        self._starter.stdin.close()
        self._starter.wait(20)
        self._starter.stdout.close()


def line_file(folder: Path, ports: dict[str, int], path: str) -> Path:
    """The demonstration line with the rig's rules and addresses. `path` is that of the OPC UA server's address."""
    plant = folder / "plant"
    shutil.copytree(shipped_config(), plant / "config")
    (plant / "rules").mkdir()
    shutil.copy(HERE / "fault_rules.toml", plant / "rules" / "fault-rules.toml")
    file = plant / "config" / "core-3.toml"
    text = file.read_text()
    for before, after in (
        ('rules = ["foam-core.toml"]', 'rules = ["fault-rules.toml"]'),
        ('lengths = ["100 m", "1 km"]', 'lengths = ["5 m", "100 m"]'),
        ('times = ["10 s", "1 min"]', 'times = ["2 s", "1 min"]'),
        ("127.0.0.1:5020", f"127.0.0.1:{ports.get('gauges', 5020)}"),
        ("127.0.0.1:5021", f"127.0.0.1:{ports.get('drives', 5021)}"),
        ("opc.tcp://127.0.0.1:4840/northmere/core-3", f"opc.tcp://127.0.0.1:{ports.get('plc', 4840)}/{path}"),
        ("mqtt://127.0.0.1:1883", f"mqtt://127.0.0.1:{ports.get('broker', 1883)}"),
    ):
        if before not in text:
            raise ValueError(f"the shipped line file has no {before!r} any more; mend the rig")
        text = text.replace(before, after)
    file.write_text(text)
    return file


class Line:
    """The simulated line as a process."""

    def __init__(self, folder: Path, seed: int, seconds: float) -> None:
        self.truth = folder / "truth.jsonl"
        file = line_file(folder / "line", {}, "northmere/core-3")
        command = [sys.executable, str(HERE / "fault_line.py"), str(file), str(self.truth), str(seed), str(seconds)]
        with (folder / "line.log").open("ab") as log:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=log)
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], READY)
        answer = self._process.stdout.readline() if ready else b""
        if not answer:
            self.__exit__()
            raise RuntimeError(f"the simulated line did not start: {(folder / 'line.log').read_text()[-2000:]}")
        self.addresses: dict[str, str] = json.loads(answer)["addresses"]

    def ports(self) -> dict[str, int]:
        """Port by endpoint."""
        return {n: int(a.rpartition("://")[2].partition("/")[0].rpartition(":")[2]) for n, a in self.addresses.items()}

    def stop(self) -> None:
        """End it; it writes its truth."""
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait(120)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(20)
        assert self._process.stdout is not None
        self._process.stdout.close()


class Round:
    """One round. `run` does it whole. `kinds` of harm are chosen from between two kills; `also` is done once each before the first."""

    def __init__(
        self,
        folder: Path,
        *,
        seed: int,
        kills: int,
        forgetful: bool = False,
        kinds: tuple[str, ...] = KINDS,
        also: tuple[str, ...] = (),
        up: tuple[float, float] = (1.0, 9.0),
        progress: Callable[[str, int], None] = lambda _what, _events: None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self._seed = seed
        self._kills = kills
        self._forgetful = forgetful
        self._kinds = kinds
        self._also = also
        self._up = up
        self._progress = progress
        self._random = random.Random(seed)
        self._harm = Harm(folder / "actions.jsonl")
        self._away_spans: list[tuple[str, float, float]] = []

    def run(self) -> Verdict:
        """Do the round and judge it. Raises RuntimeError when something of the rig itself fails."""
        seconds = 60.0 + self._kills * (self._up[1] + 12.0)
        with ExitStack() as stack:
            stack.callback(self._harm.close)
            broker = stack.enter_context(Broker(self.folder / "broker", persistence=True))
            if {*self._kinds, *self._also} & {*DISK_KINDS}:
                self._disk = stack.enter_context(StateDisk(self.folder / "disk.img", self.folder / "state"))
            line = stack.enter_context(Line(self.folder, self._seed, seconds))
            self._proxies = stack.enter_context(Proxies({**line.ports(), "broker": broker.port}, seed=self._seed))
            subscriber = stack.enter_context(Subscriber(broker.port, ROOT, self.folder / "records.jsonl"))
            ports = {name: self._proxies.port(name) for name in (*ENDPOINTS, "broker")}
            daemon = stack.enter_context(
                Daemon(line_file(self.folder, ports, "northmere/core-3"), self.folder, forgetful=self._forgetful)
            )
            self._broker, self._subscriber, self._daemon = broker, subscriber, daemon
            self._session()
            self._committed()
            line.stop()
        verdict = judge(self.records(), self.truth(), self._harm.spans)
        verdict.wrong["told uncommitted"].extend(f"{i} came and is not in the journal" for i in self._uncommitted)
        self._judge_disk(verdict)
        self._judge_clock(verdict)
        verdict.counts.update({f"harm: {what}": n for what, n in self._harm.counts.items()})
        verdict.counts["harm: chunks damaged"] = self._proxies.damaged()
        return verdict

    def records(self) -> list[Record]:
        """What the subscriber wrote."""
        rows = map(json.loads, (self.folder / "records.jsonl").read_text().splitlines())
        return [Record(row["topic"], row["payload"]) for row in rows]

    def truth(self) -> list[dict[str, Any]]:
        """What the simulator wrote."""
        return [json.loads(row) for row in (self.folder / "truth.jsonl").read_text().splitlines()]

    # ---- harm ----------------------------------------------------------------------------------------------------------

    def _session(self) -> None:
        """Kill after kill; between two of them often something else; a graceful end."""
        began = time.time()
        self._start_and_wait()
        self._wait(min(4.0, self._up[1]))  # baselines
        self._harm.done("first start", began)
        for what in self._also:
            self._disturb(what)
            self._wait(0.5)
        for n in range(self._kills):
            if self._random.random() < 0.6:
                self._disturb(self._random.choice(self._kinds))
            self._wait(self._random.uniform(*self._up) * (0.15 if self._random.random() < 0.2 else 1.0))
            self._kill(early=self._random.random() < 0.1)
            self._progress(f"kill {n + 1}", len(self._subscriber.ids))
            if n % 12 == 11:
                self._restart()
        self._calm()
        self._wait(6.0)
        stops = self._subscriber.stops
        self._daemon.stop()
        if not self._subscriber.wait(lambda: self._subscriber.stops > stops, 10.0):
            # the broker had not taken it all within the grace of a stop: the next start delivers the rest
            self._start_and_wait()
            self._wait(3.0)
            self._daemon.stop()
            self._subscriber.wait(lambda: self._subscriber.stops > stops + 1, 30.0)

    def _wait(self, seconds: float) -> None:
        time.sleep(seconds)  # a span of line time: the harm is in when it ends

    def _start_and_wait(self) -> None:
        starts = self._subscriber.starts
        self._daemon.start()
        if not self._subscriber.wait(lambda: self._subscriber.starts > starts, READY):
            raise RuntimeError(f"the daemon did not start: {self._daemon.said()}")

    def _kill(self, *, early: bool) -> None:
        """SIGKILL, some down time, start; an `early` one is followed by another before the daemon watches."""
        began = time.time()
        if self._random.random() < 0.3:  # a chosen moment: just when an event has come through
            have = len(self._subscriber.ids)
            self._subscriber.wait(lambda: len(self._subscriber.ids) > have, 1.0)
            self._wait(self._random.uniform(0.0, 0.03))
        self._daemon.kill()
        self._harm.counts["SIGKILL"] += 1
        self._wait(self._random.choice((0.0, 0.0, 0.5, 1.5)))
        if early:
            self._daemon.start()
            self._wait(self._random.uniform(0.2, 2.0))
            self._daemon.kill()
            self._harm.counts["SIGKILL while starting"] += 1
        self._start_and_wait()
        self._wait(0.5)
        self._harm.done("down after a kill", began)

    def _restart(self) -> None:
        began = time.time()
        self._daemon.stop()
        self._start_and_wait()
        self._wait(0.5)
        self._harm.done("graceful restart", began)

    def _disturb(self, what: str) -> None:
        began = time.time()
        length = self._random.uniform(0.5, 3.0)
        if what == "broker proxy":
            # no damage between daemon and broker but what TCP lets through: MQTT has no checksum of its own
            mode = self._random.choice(("refuse", "half-open", "delay", "trickle"))
            self._span("broker", mode, length)
            what = f"broker {mode}"
        elif what == "broker restart":
            self._broker.stop()
            self._wait(length)
            self._broker.start()
        elif what == "endpoint":
            name = self._random.choice(ENDPOINTS)
            mode = self._random.choice(DAMAGE)
            self._span(name, mode, length)
            what = f"{name} {mode}"
        elif what == "full disk":
            self._daemon.full(length)
        elif what == "clock":
            self._daemon.set_clock(self._random.choice((STEP, -STEP)))
            self._wait(2.5)  # it is looked at once a second
            self._daemon.set_clock(0.0)
            self._wait(2.5)
        elif what == "clock while down":
            self._daemon.kill()
            self._daemon.set_clock(-STEP)
            self._start_and_wait()
            self._wait(2.5)
            self._daemon.set_clock(0.0)
            self._wait(2.5)
        elif what in DISK_KINDS:
            self._away(what, 3.0 + length)
        else:
            self._daemon.send(signal.SIGSTOP)
            self._wait(length)
            self._daemon.send(signal.SIGCONT)
        self._harm.done(what, began)

    def _away(self, what: str, length: float) -> None:
        """The journal's disk cannot be written for a while."""
        if what == "read-only disk":
            self._disk.abort()
            self._wait(length)
            self._away_spans.append((what, time.time() - length, time.time()))
            self._daemon.stop()
            self._disk.mend()
            self._start_and_wait()
            self._wait(0.5)
            return
        begin, end = (self._disk.fill, self._disk.free) if what == "no space" else (self._disk.forbid, self._disk.allow)
        begin()
        began = time.time()
        self._wait(length)
        self._away_spans.append((what, began, time.time()))
        end()
        said = self._daemon.log.read_text().count(WRITES_AGAIN)
        until = time.monotonic() + 20.0
        while self._daemon.log.read_text().count(WRITES_AGAIN) <= said and time.monotonic() < until:
            time.sleep(0.05)  # a log file gives no event to wait for

    def _judge_disk(self, verdict: Verdict) -> None:
        """What happened while the disk was away came when it was back, unless the daemon had to be stopped for that."""
        told = [json.loads(r.payload) for r in self.records() if r.topic.startswith(ROOT + "event/")]
        times = [seconds(e["time"]) for e in {e["id"]: e for e in told if e["type"] == "metrepost.flaw.v1"}.values()]
        for what, began, ended in self._away_spans:
            later = sum(began < time < ended for time in times)
            verdict.counts[f"{what}: flaws of that time"] += later
            if not later and what != "read-only disk":
                verdict.wrong["watched on"].append(f"no flaw was told of {ended - began:.0f} s of {what}")

    def _committed(self) -> None:
        """Every event and rollup that came is in the journal, kills and dead disks or not."""
        with Reader(self.folder / "state", "core-3") as reader:
            kept = {f"{s}-{reader.epoch}-{row.sequence:020}" for s in STREAMS for row in reader.export(s)}
        came = {json.loads(r.payload)["id"] for r in self.records() if r.topic.startswith((ROOT + "event/", ROOT + "rollup/"))}
        self._uncommitted = sorted(came - kept)

    def _judge_clock(self, verdict: Verdict) -> None:
        """Each time that the clock was set is an event."""
        payloads = (json.loads(record.payload) for record in self.records() if record.topic == ROOT + "event/clock")
        told = len({e["id"] for e in payloads if abs(abs(e["data"]["step"]) - STEP) < 1.0})
        steps = 2 * (self._harm.counts["clock"] + self._harm.counts["clock while down"])
        if told != steps:
            verdict.wrong["clock"].append(f"set {steps} times by an hour, told {told} times")

    def _span(self, name: str, mode: Mode, length: float) -> None:
        self._proxies.become(name, mode)
        self._wait(length)
        self._proxies.become(name, "pass")

    def _calm(self) -> None:
        for name in (*ENDPOINTS, "broker"):
            self._proxies.become(name, "pass")
