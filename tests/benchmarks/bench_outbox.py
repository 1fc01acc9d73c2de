"""Delivery of the outbox against bare paho: QoS 1, MQTT 5, event loop without a thread, same broker, same run.

    python tests/benchmarks/bench_outbox.py [ROWS] [ROUNDS]

Bare paho sends the same topics and payloads from a list in memory with the same window and without properties; the outbox
reads them from the journal, names their content type and moves its cursors. Prints rows a second of each round,
and the median of the ratios of each round (both halves of a round meet much the same machine).
"""

import asyncio
import itertools
import socket
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from metrepost.journal import Journal, Row
from support_broker import Broker
from support_journal import ROOT, SOURCE, alarm_event, rollup
from support_publish import publishing

WINDOW = 50


async def bare(port: int, rows: list[Row]) -> float:
    """Rows a second of paho alone, on the event loop: the plainest form its documentation describes."""
    loop = asyncio.get_running_loop()
    connected, done = asyncio.Event(), asyncio.Event()
    left = iter(rows)
    acknowledged = 0

    def acked(*_: Any) -> None:
        nonlocal acknowledged
        acknowledged += 1
        if acknowledged == len(rows):
            done.set()
        if (row := next(left, None)) is not None:
            client.publish(ROOT + row.topic, row.payload, qos=1)

    client = Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTProtocolVersion.MQTTv5)
    client.max_inflight_messages_set(0)  # the window below is the limit; paho's own costs time
    client.on_connect = lambda *_: connected.set()
    client.on_publish = acked
    client.connect("127.0.0.1", port)
    sock = client.socket()
    assert isinstance(sock, socket.socket)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.on_socket_register_write = lambda _c, _u, s: loop.add_writer(s, client.loop_write)
    client.on_socket_unregister_write = lambda _c, _u, s: loop.remove_writer(s)
    loop.add_reader(sock, client.loop_read)
    await connected.wait()
    began = time.perf_counter()
    for row in itertools.islice(left, WINDOW):
        client.publish(ROOT + row.topic, row.payload, qos=1)
    await done.wait()
    took = time.perf_counter() - began
    loop.remove_reader(sock)
    client.on_socket_register_write = client.on_socket_unregister_write = None
    client.disconnect()
    return len(rows) / took


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
