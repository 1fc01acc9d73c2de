"""A broker that was away: how fast a backlog drains, and how far behind live alarms are meanwhile.

    python tests/benchmarks/bars_drain.py [--rows 1000000]

The journal is filled with rows that wait; then the publisher connects, and twice a second an alarm changes its state. A subscriber says
when that arrives; the delay counts from before the commit. Exit code 1 when the 99th percentile is above 1 s, or a rollup does not
arrive.
"""

import argparse
import asyncio
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import msgspec
import structlog

from metrepost.journal import Journal, Retention
from support_broker import Broker, Recorder
from support_journal import ROOT, SOURCE, alarm_event, alarm_state, rollup
from support_publish import publishing

WINDOW = 50
BATCH = 2000


def fill(folder: Path, rows: int, retention: Retention) -> float:
    """Commit the backlog, a third of it events; seconds taken."""
    began = time.perf_counter()
    with closing(Journal.open(folder, "core-3", source=SOURCE, retention=retention)) as journal:
        for _ in range(rows // BATCH):
            journal.commit([alarm_event() for _ in range(BATCH // 3)] + [rollup() for _ in range(BATCH - BATCH // 3)])
    return time.perf_counter() - began


async def drain(folder: Path, port: int, rows: int, retention: Retention) -> tuple[float, list[float]]:
    """Rows a second, and the delay of each live alarm."""
    sent: dict[str, float] = {}
    with (
        Recorder(port, ROOT + "alarm/#", client_id="live") as live,
        Recorder(port, ROOT + "rollup/#", client_id="bulk") as bulk,
    ):
        async with publishing(folder, port, window=WINDOW, retention=retention) as p:
            began = time.perf_counter()
            number = 0
            while p.journal.positions("rollup").waiting or p.journal.positions("event").waiting:
                number += 1
                state = msgspec.structs.replace(alarm_state(f"live-{number}"), explanation=f"live {number}")
                sent[f"live {number}"] = time.monotonic()
                await p.journal.commit([state])
                await asyncio.sleep(0.5)
            took = time.perf_counter() - began
        await live.until(lambda ms: len(ms) >= len(sent), 60)
        await bulk.until(lambda ms: len(ms) >= rows - rows // BATCH * (BATCH // 3), 60)
        found = {msgspec.json.decode(m.payload)["explanation"]: m.time for m in live.messages}
    return rows / took, [found[name] - at for name, at in sent.items()]


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
        filled = fill(folder, rows, retention)
        rate, delays = asyncio.run(drain(folder, broker.port, rows, retention))
    delays.sort()
    worst = delays[min(len(delays) - 1, int(0.99 * len(delays)))]
    print(
        f"{rows} rows committed in {filled:.0f} s, drained at {rate:.0f} a second; {len(delays)} live alarm states behind by "
        f"{statistics.median(delays) * 1e3:.0f} ms (median), {worst * 1e3:.0f} ms (99 %), {delays[-1] * 1e3:.0f} ms (worst)"
    )
    return 1 if worst > 1.0 else 0


if __name__ == "__main__":
    sys.exit(main())
