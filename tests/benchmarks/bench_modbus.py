"""Reads per second of the Modbus TCP link with decoding, as a ratio to the bare library in the same run.

    python tests/benchmarks/bench_modbus.py [--seconds 0.1] [--rounds 40]

One connection, 20 registers (10 numbers) a read, a pymodbus server in a process of its own. The variants take short turns, so
that a slow moment of the machine hits all; the figure to look at is the ratio, the median over the rounds.
"""

import argparse
import asyncio
import multiprocessing
import statistics
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

from pymodbus.client import AsyncModbusTcpClient

from metrepost.endpoints.modbus_decode import BlockDecoder
from metrepost.endpoints.modbus_link import Answer, ModbusLink
from metrepost.endpoints.modbus_plan import plan
from metrepost.endpoints.plan import ModbusPoint

sys.path.insert(0, str(Path(__file__).parents[1]))
from support_modbus import HOST, Device, RealClock, endpoint, free_port

POINTS = tuple(ModbusPoint(f"g.r{n}", "holding", n, "int32", scale=0.0001) for n in range(0, 20, 2))


def serve(port: int) -> None:
    async def forever() -> None:
        async with Device(port, holding=dict.fromkeys(range(20), 7)):
            await asyncio.Event().wait()

    asyncio.run(forever())


async def rate(once: Callable[[], Awaitable[object]], seconds: float) -> float:
    count, began = 0, time.perf_counter()
    while (gone := time.perf_counter() - began) < seconds:
        for _ in range(10):
            await once()
        count += 10
    return count / gone


async def compare(port: int, seconds: float, rounds: int) -> None:
    client = AsyncModbusTcpClient(HOST, port=port, retries=0, reconnect_delay=0)
    for _ in range(200):
        if await client.connect():
            break
        await asyncio.sleep(0.05)
    where = endpoint(port, *POINTS)
    link = ModbusLink(where, RealClock())
    if problem := await link.open():
        raise SystemExit(problem)
    request = plan(where)[0].requests[0]
    decoder = BlockDecoder(request)

    async def bare() -> None:
        await client.read_holding_registers(0, count=20, device_id=1)

    async def bare_converted() -> None:
        answer = await client.read_holding_registers(0, count=20, device_id=1)
        client.convert_from_registers(answer.registers, client.DATATYPE.INT32)

    async def ours() -> None:
        outcome = await link.read(request)
        assert isinstance(outcome, Answer)
        decoder.readings(outcome.data, outcome.sent, outcome.round_trip / 2)

    names = {"bare library, registers only": bare, "bare library, converted": bare_converted, "link, checked and decoded": ours}
    rates: dict[str, list[float]] = {name: [] for name in names}
    for _ in range(rounds):
        for name, once in names.items():
            rates[name].append(await rate(once, seconds))
    base = rates["bare library, registers only"]
    for name, seen in rates.items():
        ratio = statistics.median(one / other for one, other in zip(seen, base, strict=True))
        low, middle, high = min(seen), statistics.median(seen), max(seen)
        print(f"{name:32s} {low:8.0f} / {middle:8.0f} / {high:8.0f} reads/s (min/med/max)   ratio {ratio:.2f}")
    began, times = time.perf_counter(), 20_000
    data = bytes(request.size)
    for _ in range(times):
        decoder.readings(data, 0.0, 0.0)
    print(f"decoding alone: {(time.perf_counter() - began) / times * 1e6:.2f} us for {len(POINTS)} readings")
    link.close()
    client.close()


def main() -> None:
    options = argparse.ArgumentParser(description="Modbus TCP reads per second against the bare library")
    options.add_argument("--seconds", type=float, default=0.1, help="length of one turn")
    options.add_argument("--rounds", type=int, default=40)
    given = options.parse_args()
    port = free_port()
    server = multiprocessing.get_context("spawn").Process(target=serve, args=(port,), daemon=True)
    server.start()
    try:
        asyncio.run(compare(port, given.seconds, given.rounds))
    finally:
        server.terminate()
        server.join()


if __name__ == "__main__":
    main()
