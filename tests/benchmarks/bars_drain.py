"""A broker that was away: how fast a backlog drains, and how far behind live alarms are meanwhile.

    python tests/benchmarks/bars_drain.py [--rows 1000000]

The journal is filled with rows that wait; then the publisher connects, and twice a second an alarm changes its state. A subscriber says
when that arrives; the delay counts from before the commit. Before and after, bare paho sends the last of the same rows in the same client
mode, to the same subscribers, from a list in memory. Exit code 1 when the 99th percentile of the delays is above 1 s, the backlog drains
at less than 80 % of the bare rate, or a rollup does not arrive.
"""

import argparse
import asyncio
import multiprocessing
import statistics
import sys
import tempfile
import time
from collections import deque
from contextlib import closing
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import msgspec
import structlog
from bare_paho import WINDOW, bare

from metrepost.journal import Journal, Retention, Row
from support_broker import Broker, Recorder
from support_journal import ROOT, SOURCE, alarm_event, alarm_state, rollup
from support_publish import publishing

BATCH = 2000
FLOOR_ROWS = 40_000
"""Sent bare before and after: some seconds."""


def fill(folder: Path, rows: int, retention: Retention) -> tuple[float, list[Row]]:
    """Commit the backlog, a third of it events; seconds taken, and the last rows."""
    last: deque[Row] = deque(maxlen=FLOOR_ROWS)
    began = time.perf_counter()
    with closing(Journal.open(folder, "core-3", source=SOURCE, retention=retention)) as journal:
        for _ in range(rows // BATCH):
            last += journal.commit([alarm_event() for _ in range(BATCH // 3)] + [rollup() for _ in range(BATCH - BATCH // 3)])
    return time.perf_counter() - began, list(last)


def listen(port: int, pipe: Connection) -> None:
    """The subscribers, in a process of their own. Takes how many messages are to come, tells when each alarm arrived."""
    with (
        Recorder(port, ROOT + "alarm/#", client_id="live") as live,
        Recorder(port, ROOT + "rollup/#", client_id="bulk") as bulk,
    ):
        pipe.send("listening")
        alarms, rollups = pipe.recv()
        live.wait(lambda ms: len(ms) >= alarms, 120)
        bulk.wait(lambda ms: len(ms) >= rollups, 120)
        pipe.send({msgspec.json.decode(m.payload)["explanation"]: m.time for m in live.messages})


async def drain(
    folder: Path, port: int, rows: int, retention: Retention, floor: list[Row]
) -> tuple[float, list[float], dict[str, float]]:
    """Rows a second, those of the floor before and after, and when each live alarm was about to be committed."""
    sent: dict[str, float] = {}
    floors = [await bare(port, floor)]
    async with publishing(folder, port, window=WINDOW, retention=retention) as p:
        began = time.perf_counter()
        drained = asyncio.ensure_future(p.journal.drained())
        number = 0
        while not drained.done():
            number += 1
            state = msgspec.structs.replace(alarm_state(f"live-{number}"), explanation=f"live {number}")
            sent[f"live {number}"] = time.monotonic()
            await p.journal.commit([state])
            await asyncio.wait([drained], timeout=0.5)
        took = time.perf_counter() - began
    floors.append(await bare(port, floor))
    return rows / took, floors, sent


def main() -> int:
    """Fill, drain, judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    options = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))
    retention = Retention(undelivered_bytes=1 << 40)
    with tempfile.TemporaryDirectory() as name, Broker(Path(name) / "broker", extra="log_type none") as broker:
        folder = Path(name) / "state"
        rows = options.rows // BATCH * BATCH
        filled, last = fill(folder, rows, retention)
        context = multiprocessing.get_context("spawn")
        pipe, others = context.Pipe()
        listener = context.Process(target=listen, args=(broker.port, others))
        listener.start()
        assert pipe.recv() == "listening"
        rate, floors, sent = asyncio.run(drain(folder, broker.port, rows, retention, last))
        rollups = rows - rows // BATCH * (BATCH // 3) + 2 * sum(row.topic.startswith("rollup/") for row in last)
        pipe.send((len(sent), rollups))
        arrived = pipe.recv()
        listener.join()
    delays = sorted(arrived[name] - at for name, at in sent.items())
    worst = delays[min(len(delays) - 1, int(0.99 * len(delays)))]
    share = rate / statistics.mean(floors)
    print(
        f"{rows} rows committed in {filled:.0f} s, drained at {rate:.0f} a second, {share:.2f} of bare paho "
        f"({floors[0]:.0f} before, {floors[1]:.0f} after); {len(delays)} live alarm states behind by "
        f"{statistics.median(delays) * 1e3:.0f} ms (median), {worst * 1e3:.0f} ms (99 %), {delays[-1] * 1e3:.0f} ms (worst)"
    )
    return 1 if worst > 1.0 or share < 0.8 else 0


if __name__ == "__main__":
    sys.exit(main())
