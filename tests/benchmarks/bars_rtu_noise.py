"""What noise on a serial line does to Modbus RTU: mis-read frames, counted.

    python tests/benchmarks/bars_rtu_noise.py [--frames 100000] [--line 3000] [--random 10000000] [--seed 1]

Four measurements, all through the frame check that the daemon uses (`modbus_rtu_frame.scan`):

1. *bursts, frames*: answers of 1 to 60 registers, each with one burst of 2 to 16 bits (first and last bit of the burst flipped,
   those between at random; also single bits) at a random place, in the order of the bits on the wire. Bar: none taken for right.
2. *bursts, line*: the same noise on every second answer over a pseudo-terminal, through the whole runner, against a device whose
   registers hold their own addresses. Bar: no value that the device did not send.
3. *random, CRC alone*: an answer with its header right and everything after it random: the CRC lets 1 in 65 536 through. Bar: the
   count is within five standard deviations of that. This is the weakness that a CRC of 16 bits has.
4. *random, with a range*: what came through in 3, decoded as a gauge of 0.0001 mm steps with `valid` from 0.5 mm to 20 mm: how
   many the range lets pass. (An int32 within 199 500 of 2^32 values: 1 in 22 000 of those that the CRC missed.)

Exit code 1 when a bar is broken.
"""

import argparse
import asyncio
import math
import random
import sys
from collections.abc import Iterator
from pathlib import Path

from metrepost.endpoints.modbus_decode import BlockDecoder
from metrepost.endpoints.modbus_frame import Data, Expected, Incomplete
from metrepost.endpoints.modbus_plan import join
from metrepost.endpoints.modbus_rtu_frame import diagnose, scan
from metrepost.endpoints.modbus_runner import ModbusRunner
from metrepost.endpoints.plan import ModbusPoint
from metrepost.readings import GOOD

sys.path.insert(0, str(Path(__file__).parents[1]))
from support_modbus import RealClock, Sink, running
from support_serial import SerialBus, line_of, registers_of, rtu_answer


def burst(frame: bytes, chance: random.Random) -> bytes:
    """The frame with one burst of 1 to 16 bits. Bits go over the wire lowest first (MODBUS over Serial Line V1.02, 2.5.1)."""
    length = chance.randint(1, 16)
    pattern = 1 | 1 << (length - 1) | chance.getrandbits(length)
    whole = int.from_bytes(frame, "little") ^ pattern << chance.randrange(8 * len(frame) - length + 1)
    return whole.to_bytes(len(frame), "little")


def bursts_on_frames(count: int, chance: random.Random) -> tuple[int, dict[str, int]]:
    """Mis-read frames, and how the others were found out."""
    misread, reasons = 0, dict[str, int]()
    for _ in range(count):
        registers = chance.randint(1, 60)
        request = bytes([chance.randint(1, 247), chance.choice((3, 4))])
        expected = Expected(0, request[0], request[1], 2 * registers)
        frame = burst(rtu_answer(request, chance.randbytes(2 * registers)), chance)
        verdict = scan(frame, expected)
        if isinstance(verdict, Data):
            misread += 1
            continue
        if isinstance(verdict, Incomplete):
            verdict = diagnose(frame, expected, b"\0" * 8)
        reasons[verdict.reason] = reasons.get(verdict.reason, 0) + 1
    return misread, reasons


async def bursts_on_a_line(count: int, chance: random.Random) -> tuple[int, int, dict[str, int]]:
    """(good values, of which the device did not send, reasons of the bad ones) over a pseudo-terminal."""
    addresses = range(0, 400, 40)
    bus = SerialBus(registers_of({1: {address: address + 1 for address in addresses}}))
    answers = 0

    def spoil(frame: bytes) -> bytes:
        nonlocal answers
        answers += 1
        return burst(frame, chance) if answers % 2 else frame

    bus.spoil = spoil
    points = [ModbusPoint(f"g.{address}", "holding", address, poll=0.002) for address in addresses]
    sink = Sink()
    async with bus:
        runner = ModbusRunner(line_of(bus, *points, timeout=0.1), sink, RealClock(), lambda: 0.0)
        async with running(runner.run()):
            await sink.until(lambda _: answers >= count, 600.0)
    right = {f"g.{address}": float(address + 1) for address in addresses}
    good = [one for one in sink.readings if one.quality is GOOD]
    reasons: dict[str, int] = {}
    for one in sink.readings:
        if one.quality is not GOOD:
            reasons[one.reason] = reasons.get(one.reason, 0) + 1
    return len(good), sum(one.value != right[one.tag] for one in good), reasons


def passed_by_the_crc(count: int, chance: random.Random) -> Iterator[bytes]:
    """The data of random answers that the CRC lets through. The header is right: random headers would be refused as well."""
    expected = Expected(0, 1, 4, 4)
    for _ in range(count):
        verdict = scan(b"\x01\x04\x04" + chance.randbytes(6), expected)
        if isinstance(verdict, Data):
            yield verdict.data


def within_range(passed: list[bytes]) -> int:
    """How many of them the range check of a gauge lets pass too."""
    gauge = ModbusPoint("g.x", "input", 0, "int32", scale=0.0001, valid_low=0.5, valid_high=20.0)
    decoder = BlockDecoder(join([gauge], 125, 0, set())[0])
    return sum(decoder.readings(data, 0.0, 0.0)[0].quality is GOOD for data in passed)


def main() -> int:
    """Measure, print, and say whether the bars hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=100_000)
    parser.add_argument("--line", type=int, default=3_000)
    parser.add_argument("--random", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    chance = random.Random(options.seed)
    misread, reasons = bursts_on_frames(options.frames, chance)
    print(f"bursts of up to 16 bits on {options.frames} frames: {misread} mis-read; found out as {reasons}")
    good, wrong, bad = asyncio.run(bursts_on_a_line(options.line, chance))
    print(
        f"the same on every second of {options.line} answers over a pseudo-terminal: {wrong} of {good} good values wrong; bad {bad}"
    )
    passed = list(passed_by_the_crc(options.random, chance))
    due = options.random / 65536
    print(
        f"random data behind a right header, {options.random} frames: {len(passed)} passed the CRC, expected {due:.1f} (1 in 65 536)"
    )
    print(f"of those, within the range of a gauge (0.5 mm to 20 mm in steps of 0.1 um): {within_range(passed)}")
    return int(misread > 0 or wrong > 0 or abs(len(passed) - due) > 5 * math.sqrt(due))


if __name__ == "__main__":
    raise SystemExit(main())
