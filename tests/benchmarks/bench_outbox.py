"""Delivery of the outbox against bare paho: QoS 1, MQTT 5, event loop without a thread, same broker, same run.

    python tests/benchmarks/bench_outbox.py [ROWS] [ROUNDS]

Bare paho sends the same topics and payloads from a list in memory with the same window and without properties; the outbox
reads them from the journal, names their content type and moves its cursors. Prints rows a second of each round,
and the median of the ratios of each round (both halves of a round meet much the same machine).
"""

import asyncio
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from bare_paho import WINDOW, bare

from metrepost.journal import Journal, Row
from support_broker import Broker
from support_journal import SOURCE, alarm_event, rollup
from support_publish import publishing


async def outbox(port: int, folder: Path, rows: int) -> float:
    """Rows a second from the first acknowledgement to the last."""
    async with publishing(folder, port, window=WINDOW) as p:
        while not p.publisher.statistics().connected:
            await asyncio.sleep(0)
        began, already = time.perf_counter(), p.publisher.statistics().delivered
        await p.journal.drained()
        return (rows - already) / (time.perf_counter() - began)


async def main(rows: int, rounds: int) -> None:
    """Rounds of both, in turn."""
    rates: dict[str, list[float]] = {"bare": [], "outbox": []}
    with tempfile.TemporaryDirectory() as folder, Broker(Path(folder) / "broker", extra="log_type none") as broker:
        for round_ in range(rounds):
            state = Path(folder) / f"state-{round_}"
            with closing(Journal.open(state, "core-3", source=SOURCE)) as journal:
                committed: list[Row] = []
                for _ in range(rows // 100):
                    committed += journal.commit([alarm_event() for _ in range(70)] + [rollup() for _ in range(30)])
            rates["bare"].append(await bare(broker.port, committed))
            rates["outbox"].append(await outbox(broker.port, state, len(committed)))
            print(f"round {round_ + 1}: bare {rates['bare'][-1]:8.0f}/s   outbox {rates['outbox'][-1]:8.0f}/s")
    size = statistics.mean(len(r.payload) for r in committed)
    ratios = sorted(o / b for o, b in zip(rates["outbox"], rates["bare"], strict=True))
    print(
        f"{len(committed)} rows of {size:.0f} bytes, window {WINDOW}: outbox / bare, round by round, "
        f"median {statistics.median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f})"
    )


if __name__ == "__main__":
    import structlog

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))
    asyncio.run(main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000, int(sys.argv[2]) if len(sys.argv) > 2 else 5))
