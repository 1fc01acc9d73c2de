"""An hour over sockets in which every connection is cut a thousand times: nothing may leak.

    python tests/benchmarks/bars_sockets_hour.py [--minutes 60] [--reconnects 1000]

The daemon as a process, with the shipped rules, on a simulated line in another one (the scenario `healthy`), a real Mosquitto and a
subscriber with a session. Between them stand proxies that cut: both Modbus devices, the OPC UA server and the broker each
`--reconnects` times, spread over the time. 24 times (5 times in a run of a few minutes) the cutting stops until `/health` says `ok`; then
resident memory, descriptors and threads are read from `/proc`, the tasks of the event loop from `/metrics`.

Bars: every endpoint came back from nine cuts in ten and more (one that meets a connection just being made is not counted by anybody);
after the first quarter descriptors, threads and tasks stay within 2 of what they were at its end, and resident memory within 5 % (not
judged in a run of less than 20 minutes: windows are still filling); the daemon says `ok` within a minute of the last cut and stops in
good order; the subscriber has every event and rollup. Exit code 1 when one is broken.
"""

import argparse
import json
import os
import sys
import tempfile
import time
import urllib.error
import urllib.request
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "faults")]

from fault_proxy import Proxies  # noqa: E402  its folder is put on the path above
from fault_rig import ENDPOINTS, ROOT  # noqa: E402
from fault_subscriber import Subscriber  # noqa: E402
from prometheus_client.openmetrics.parser import text_string_to_metric_families  # noqa: E402
from rich.console import Console  # noqa: E402
from rich.table import Table  # noqa: E402

from support_broker import Broker, free_port  # noqa: E402
from support_daemon import Process, line_folder  # noqa: E402

TARGETS = (*ENDPOINTS, "broker")
FLAT, LOOSE = 0.05, 2
PATIENCE = 60.0
"""Seconds until the daemon must say `ok` after the last cut: an endpoint waits 10 s, the broker's client 30 s at most."""


class Sample(NamedTuple):
    """The daemon in a calm moment."""

    minutes: float
    cuts: int
    resident: float
    descriptors: int
    threads: int
    tasks: int
    reconnects: float
    delivered: float


class Watched:
    """The daemon as its health server and the system see it."""

    def __init__(self, pid: int, port: int) -> None:
        self._proc = Path(f"/proc/{pid}")
        self._base = f"http://127.0.0.1:{port}"

    def status(self) -> str:
        """What `/health` says: its status, or why it says nothing."""
        try:
            with urllib.request.urlopen(f"{self._base}/health", timeout=10) as answer:
                body = json.load(answer)
        except (OSError, urllib.error.URLError) as error:
            return str(error)
        (line,) = body["lines"].values()
        return "; ".join(line["reasons"]) or str(body["status"])

    def calm(self) -> float:
        """Wait for `ok`; seconds taken. Raises RuntimeError when it does not come."""
        began = time.monotonic()
        while (status := self.status()) != "ok":
            if time.monotonic() - began > PATIENCE:
                raise RuntimeError(f"the daemon did not come back within {PATIENCE:.0f} s: {status}")
            time.sleep(0.2)  # a page that is asked gives no event to wait for
        return time.monotonic() - began

    def sample(self, minutes: float, cuts: int) -> Sample:
        """Now."""
        with urllib.request.urlopen(f"{self._base}/metrics", timeout=10) as answer:
            families = text_string_to_metric_families(answer.read().decode())
        sums: dict[str, float] = {}
        for family in families:
            for sample in family.samples:
                sums[sample.name] = sums.get(sample.name, 0.0) + sample.value
        pages = int((self._proc / "statm").read_text().split()[1])
        threads = next(row for row in (self._proc / "status").read_text().splitlines() if row.startswith("Threads"))
        return Sample(
            minutes,
            cuts,
            pages * os.sysconf("SC_PAGE_SIZE") / 1e6,
            len(list((self._proc / "fd").iterdir())),
            int(threads.split()[1]),
            int(sums["metrepost_tasks"]),
            sums["metrepost_endpoint_reconnects_total"],
            sums["metrepost_delivered_rows_total"],
        )


def holes(records: Path) -> list[str]:
    """Streams of the subscriber's file that are not complete, in words."""
    numbers: dict[str, set[int]] = {}
    for row in records.open(encoding="utf-8"):
        level, payload = json.loads(row)["topic"].removeprefix(ROOT).partition("/")[0], json.loads(row)["payload"]
        if level in ("event", "rollup"):
            stream, _, number = json.loads(payload)["id"].rpartition("-")
            numbers.setdefault(stream, set()).add(int(number))
    if not numbers:
        return ["the subscriber got nothing"]
    return [f"{s} lacks {max(n) - len(n)} of {max(n)}" for s, n in numbers.items() if len(n) != max(n)]


def cutting(proxies: Proxies, cuts: int, total: int, until: int, began: float, seconds: float) -> int:
    """Cut one target after the other on schedule, until that many cuts are done."""
    while cuts < until:
        due = began + seconds * cuts / total
        time.sleep(max(0.0, due - time.monotonic()))
        proxies.cut(TARGETS[cuts % len(TARGETS)])
        cuts += 1
    return cuts


def run(folder: Path, minutes: float, reconnects: int) -> tuple[list[Sample], dict[str, int], list[str]]:
    """The samples, connections by target, and what went wrong."""
    total, rounds = reconnects * len(TARGETS), 24 if minutes >= 20.0 else 5
    wrong: list[str] = []
    with ExitStack() as stack:
        broker = stack.enter_context(Broker(folder / "broker", persistence=True, extra="log_type none"))
        simulator = Process(
            "simulate", "core-3", "--free-ports", "--truth", folder / "truth", "--scenario", "healthy", folder=folder
        )
        addresses: dict[str, str] = json.loads(stack.enter_context(simulator).line(60))["addresses"]
        ports = {n: int(a.rpartition("://")[2].partition("/")[0].rpartition(":")[2]) for n, a in addresses.items()}
        proxies = stack.enter_context(Proxies({**ports, "broker": broker.port}, seed=1))
        through = {n: a.replace(f":{ports[n]}", f":{proxies.port(n)}") for n, a in addresses.items()}
        subscriber = stack.enter_context(Subscriber(broker.port, ROOT, folder / "records.jsonl"))
        port = free_port()
        daemon = stack.enter_context(
            Process(
                "run", line_folder(folder, through, proxies.port("broker")), "--state", folder / "state",
                "--health", f"127.0.0.1:{port}", "--log-level", "error", folder=folder,
            )
        )  # fmt: skip
        watched = Watched(daemon.process.pid, port)
        watched.calm()
        before = {name: proxies.connections(name) for name in TARGETS}
        samples = [watched.sample(0.0, 0)]
        cuts, began = 0, time.monotonic()
        for n in range(1, rounds + 1):
            cuts = cutting(proxies, cuts, total, total * n // rounds, began, minutes * 60.0)
            watched.calm()
            samples.append(watched.sample((time.monotonic() - began) / 60.0, cuts))
            print(" ".join(f"{k} {v:.1f}" for k, v in samples[-1]._asdict().items()), flush=True)
        made = {name: proxies.connections(name) - before[name] for name in TARGETS}
        stops = subscriber.stops
        if (code := daemon.stop(timeout=60)) != 0:
            wrong.append(f"the daemon stopped with {code}: {daemon.log.read_text()[-500:]}")
        if not subscriber.wait(lambda: subscriber.stops > stops, 60.0):
            wrong.append("the subscriber did not hear that the daemon stopped")
    return samples, made, wrong + holes(folder / "records.jsonl")


def broken(samples: list[Sample], made: dict[str, int], reconnects: int) -> list[str]:
    """Bars, in words."""
    out = [f"{name}: {n} connections after {reconnects} cuts" for name, n in made.items() if n < reconnects * 9 // 10]
    at, *after = samples[max(1, len(samples) // 4) :]
    for what in ("descriptors", "threads", "tasks"):
        first, worst = getattr(at, what), max((getattr(s, what) for s in after), key=lambda v: abs(v - getattr(at, what)))
        if abs(worst - first) > LOOSE:
            out.append(f"{what}: {first} after {at.minutes:.1f} min, {worst} later")
    worst = max((s.resident / at.resident - 1.0 for s in after), key=abs)
    print(f"resident memory: at most {worst:+.1%} of the {at.resident:.1f} MB after {at.minutes:.1f} min")
    if samples[-1].minutes < 20.0:
        print("a short run: memory was not judged")
    elif abs(worst) > FLAT:
        out.append(f"resident memory {worst:+.1%}")
    return out


def main() -> int:
    """Run, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--reconnects", type=int, default=1000, help="of each endpoint and of the broker")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="sockets-") as name:
        samples, made, wrong = run(Path(name), options.minutes, options.reconnects)
    told = ", ".join(f"{n} of {what}" for what, n in made.items())
    table = Table(title=f"{options.minutes:g} min, {options.reconnects} cuts each; connections made again: {told}")
    for head in ("minutes", "cuts", "resident MB", "descriptors", "threads", "tasks", "endpoint reconnects", "rows delivered"):
        table.add_column(head, justify="right")
    for s in samples:
        table.add_row(
            f"{s.minutes:.1f}", str(s.cuts), f"{s.resident:.1f}", str(s.descriptors), str(s.threads), str(s.tasks),
            f"{s.reconnects:.0f}", f"{s.delivered:.0f}",
        )  # fmt: skip
    Console(width=120).print(table)
    wrong += broken(samples, made, options.reconnects)
    print("\n".join(f"bar broken: {b}" for b in wrong) or "nothing leaks")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
