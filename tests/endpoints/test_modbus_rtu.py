"""RTU over pseudo-terminals and behind a gateway: real bytes, devices that share no code with the product."""

import asyncio
import itertools
import math
import time

import pytest
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from metrepost.endpoints.modbus_runner import ModbusRunner
from metrepost.endpoints.plan import ModbusEndpoint, ModbusPoint, SerialLine
from metrepost.readings import BAD, GOOD, Reading
from support_modbus import RealClock, Sink, running, words
from support_serial import RtuGateway, SerialBus, gateway_of, line_of, pair, registers_of, rtu, rtu_answer


def point(register: int = 0, unit: int | None = None, **settings: object) -> ModbusPoint:
    settings.setdefault("table", "holding")
    settings.setdefault("tag", f"u{unit or 1}.r{register}")
    settings.setdefault("poll", 0.02)
    return ModbusPoint(register=register, unit_id=unit, **settings)  # type: ignore[arg-type]


def runner_for(where: ModbusEndpoint, sink: Sink) -> ModbusRunner:
    return ModbusRunner(where, sink, RealClock(), jitter=lambda: 0.0)


def good(reading: Reading) -> bool:
    return reading.quality is GOOD


async def test_all_four_tables_are_read_over_a_serial_line_with_function_codes_1_to_4_only() -> None:
    async with SerialBus(registers_of({1: {0: 1, 7: 300}})) as bus:
        sink = Sink()
        tables = [("coil", 0, "bool"), ("discrete", 0, "bool"), ("holding", 7, "uint16"), ("input", 7, "uint16")]
        points = [point(register, table=table, type=kind, tag=f"g.{table}") for table, register, kind in tables]
        runner = runner_for(line_of(bus, *points), sink)
        async with running(runner.run()):
            await sink.until(lambda s: len(s.readings) >= 8)
        await runner.probe([])
    assert [(one.tag, one.value) for one in sink.readings[:4]] == [
        ("g.coil", 1.0),
        ("g.discrete", 1.0),
        ("g.holding", 300.0),
        ("g.input", 300.0),
    ]
    assert bus.functions() == {1, 2, 3, 4}


async def test_a_real_server_of_another_maker_at_the_far_end_of_a_pair() -> None:
    """pymodbus's own serial server, with its own CRC and framer."""
    async with pair() as (near, far):
        data = [SimData(100, values=[0x4092, 0x4DD3], datatype=DataType.REGISTERS)]
        server = ModbusSerialServer(SimDevice(5, simdata=data), framer=FramerType.RTU, port=far, baudrate=115200, parity="N")
        await server.serve_forever(background=True)
        try:
            line = SerialLine(near, baud=115200, parity="none", stop_bits=1)
            where = ModbusEndpoint(
                "line", "", 0, (point(100, type="float32", tag="g.d"),), unit_id=5, framing="rtu", serial=line
            )
            sink = Sink()
            async with running(runner_for(where, sink).run()):
                reading = await sink.until_reading(good)
            assert reading.value == pytest.approx(4.572, rel=1e-6)
            (probed,) = await runner_for(where, Sink()).probe([])
            assert (probed.raw, probed.quality) == ("0x4092 0x4DD3", "good")
        finally:
            await server.shutdown()
            await asyncio.sleep(0)


async def test_a_gateway_that_carries_rtu_frames_over_tcp() -> None:
    async with RtuGateway(registers_of({1: {0: 11}, 9: {0: 99}})) as gateway:
        sink = Sink()
        async with running(runner_for(gateway_of(gateway.port, point(0), point(0, 9)), sink).run()):
            await sink.until(lambda s: s.of("u1.r0") and s.of("u9.r0"))
    assert (sink.of("u1.r0")[0].value, sink.of("u9.r0")[0].value) == (11.0, 99.0)
    assert {request[0] for request in gateway.requests} == {1, 9}
    assert gateway.connections == 1


async def test_an_answer_in_single_bytes_is_put_together() -> None:
    def slow(request: bytes, _: int) -> list[bytes | float]:
        return [part for byte in rtu_answer(request, words(77)) for part in (bytes([byte]), 0.002)]

    async with SerialBus(slow) as bus:
        sink = Sink()
        async with running(runner_for(line_of(bus, point(poll=0.1)), sink).run()):
            assert (await sink.until_reading(good)).value == 77.0


NONSENSE = {
    "wrong CRC": ("checksum", lambda r: rtu_answer(r, words(666))[:-1] + b"\0"),
    "another unit": ("wrong unit id", lambda r: rtu_answer(r, words(666), unit=9)),
    "another function": ("wrong function code", lambda r: rtu_answer(r, words(666), function=4)),
    "more registers": ("wrong length", lambda r: rtu_answer(r, words(666, 667))),
    "broken off": ("short answer", lambda r: rtu_answer(r, words(666))[:-1]),
    "two answers in one": ("wrong length", lambda r: rtu_answer(r, words(666)) * 2),
    "a byte before": ("checksum", lambda r: b"\0" + rtu_answer(r, words(666))),
    "echo": ("echo", lambda r: r + rtu_answer(r, words(666))),
    "noise": ("checksum", lambda _: bytes(range(7, 60))),
}


@pytest.mark.parametrize("kind", NONSENSE)
async def test_nonsense_is_bad_with_its_reason_and_never_a_value(kind: str) -> None:
    """The second answer is nonsense, the ones after it are right: readings must go on, over the same connection."""
    reason, make = NONSENSE[kind]

    def respond(request: bytes, number: int) -> list[bytes | float]:
        return [make(request)] if number == 1 else [rtu_answer(request, words(5))]

    async with SerialBus(respond) as bus:
        sink = Sink()
        runner = runner_for(line_of(bus, point()), sink)
        async with running(runner.run()):
            await sink.until_reading(lambda one: one.quality is BAD)
            seen = len(sink.readings)
            await sink.until(lambda s: any(good(one) for one in s.readings[seen:]))
    assert next(one.reason for one in sink.readings if one.quality is BAD) == reason
    assert {one.value for one in sink.readings if not math.isnan(one.value)} == {5.0}
    assert runner.health.reconnects == 0


async def test_exceptions_come_in_the_words_of_the_standard() -> None:
    async with SerialBus(registers_of({1: {0: 1}})) as bus:
        sink = Sink()
        async with running(runner_for(line_of(bus, point(50)), sink).run()):
            await sink.until(lambda s: s.readings)
    assert sink.readings[0].reason == "exception 2: illegal data address"
    assert [act.act for act in sink.acts] == ["endpoint_up"]


async def test_a_late_answer_is_never_taken_for_that_of_another_register() -> None:
    """Every fifth answer comes 40 to 90 ms after it was given up; unit, function and byte count are the same for all registers."""

    def respond(request: bytes, number: int) -> list[bytes | float]:
        right = rtu_answer(request, words(int.from_bytes(request[2:4], "big") * 100))
        return [0.1 + 0.01 * (number % 9), right] if number % 5 == 4 else [right]

    points = [point(register, tag=f"g.r{register}") for register in (1, 50, 100)]
    async with SerialBus(respond) as bus:
        sink = Sink()
        async with running(runner_for(line_of(bus, *points, timeout=0.1), sink).run()):
            await sink.until(lambda s: sum(one.reason == "timeout" for one in s.readings) >= 6, 20.0)
    values = {(one.tag, one.value) for one in sink.readings if good(one)}
    assert values == {("g.r1", 100.0), ("g.r50", 5000.0), ("g.r100", 10000.0)}
    assert any(one.reason == "held back" for one in sink.readings)


async def test_while_one_answer_may_still_come_others_that_can_be_told_apart_are_asked() -> None:
    def respond(request: bytes, number: int) -> list[bytes | float]:
        count = request[5]
        return [] if number == 0 else [rtu_answer(request, words(*range(count)))]

    points = [point(0, poll=0.02, tag="g.short"), point(10, type="uint32", poll=0.03, tag="g.long")]
    async with SerialBus(respond) as bus:
        sink = Sink()
        async with running(runner_for(line_of(bus, *points, timeout=0.4, max_gap=0), sink).run()):
            await sink.until(lambda s: any(good(one) for one in s.of("g.short")), 20.0)
    before = [
        one.tag for one in sink.readings[: sink.readings.index(next(r for r in sink.of("g.short") if good(r)))] if good(one)
    ]
    assert before.count("g.long") >= 3


async def test_a_register_cleared_by_reading_is_asked_once_a_poll_and_never_again_after_a_lost_answer() -> None:
    sent_at: list[float] = []

    def respond(request: bytes, number: int) -> list[bytes | float]:
        sent_at.append(time.monotonic())
        return [] if number == 1 else [rtu_answer(request, words(1))]

    async with SerialBus(respond) as bus:
        sink = Sink()
        where = line_of(bus, point(clears_on_read=True, poll=0.3), timeout=0.05)
        async with running(runner_for(where, sink).run()):
            await sink.until(lambda s: len(s.readings) >= 3)
    assert [one.reason for one in sink.readings[:3]] == ["", "timeout", ""]
    assert sent_at[2] - sent_at[1] > 0.2


async def test_devices_on_one_line_take_turns_and_an_absent_one_starves_nobody() -> None:
    """Unit 3 is not there. Units 1 and 2 are to be read every 50 ms; a time-out is four such beats."""
    async with SerialBus(registers_of({1: {0: 11, 40: 1}, 2: {0: 22}})) as bus:
        sink = Sink()
        points = [
            point(0, 1, poll=0.05),
            point(0, 2, poll=0.05),
            *(point(20 * n, 3, poll=0.05) for n in range(4)),
        ]
        runner = runner_for(line_of(bus, *points, timeout=0.2), sink)
        began = time.monotonic()
        async with running(runner.run()):
            await sink.until(lambda s: len(s.of("u1.r0")) >= 60 and len(s.of("u2.r0")) >= 60, 30.0)
            took = time.monotonic() - began
            assert runner.health.up and runner.health.reason == "no answer from unit 3"
            assert runner.health.reconnects == 0
    assert all(good(one) for tag in ("u1.r0", "u2.r0") for one in sink.of(tag))
    assert {one.reason for one in sink.of("u3.r0")} == {"timeout", "held back", "unit does not answer"}
    # without leaving unit 3 alone 60 beats would take 60 time-outs and more
    assert took < 9.0
    asked = [request[0] for request in bus.requests]
    assert asked.count(3) < 12
    assert abs(asked.count(1) - asked.count(2)) <= 2


async def test_a_line_that_is_too_slow_for_all_still_gives_every_device_its_turn() -> None:
    """Each answer takes 20 ms, and 5 devices want 100 answers a second between them: they get 50, in equal parts."""
    serve = registers_of({unit: {0: unit} for unit in range(1, 6)})

    async with SerialBus(lambda request, number: [0.02, *(serve(request, number) or [])]) as bus:
        sink = Sink()
        points = [point(0, unit, poll=0.05) for unit in range(1, 6)]
        async with running(runner_for(line_of(bus, *points), sink).run()):
            await sink.until(lambda s: len(s.readings) >= 60, 20.0)
    asked = [request[0] for request in bus.requests][:60]
    assert max(asked.count(unit) for unit in range(1, 6)) - min(asked.count(unit) for unit in range(1, 6)) <= 3


async def test_a_device_that_comes_back_is_read_again() -> None:
    tables = {1: {0: 11}}
    async with SerialBus(registers_of(tables)) as bus:
        sink = Sink()
        runner = runner_for(line_of(bus, point(0), point(0, 2), timeout=0.05), sink)
        async with running(runner.run()):
            await sink.until(lambda s: any(one.reason == "unit does not answer" for one in s.of("u2.r0")))
            tables[2] = {0: 22}
            await sink.until(lambda s: any(good(one) for one in s.of("u2.r0")), 20.0)
            assert runner.health.reason == ""


async def test_a_line_on_which_nobody_answers_is_down() -> None:
    async with SerialBus(registers_of({})) as bus:
        sink = Sink()
        runner = runner_for(line_of(bus, point(0), point(0, 2), timeout=0.03), sink)
        async with running(runner.run()):
            await sink.until(lambda s: s.acts)
    assert sink.acts[0].act == "endpoint_down"
    assert "3 requests in a row without a right answer" in sink.acts[0].reason


async def test_a_gateway_that_speaks_for_an_absent_device_does_not_hold_up_the_others_either() -> None:
    """Exception 11 comes after the gateway's own time-out, here 100 ms."""
    serve = registers_of({1: {0: 11}})

    def respond(request: bytes, number: int) -> list[bytes | float]:
        return [0.1, rtu(bytes([request[0], request[1] | 0x80, 11]))] if request[0] == 2 else list(serve(request, number) or [])

    async with RtuGateway(respond) as gateway:
        sink = Sink()
        where = gateway_of(gateway.port, point(0, poll=0.03), point(0, 2, poll=0.03), timeout=1.0)
        async with running(runner_for(where, sink).run()):
            await sink.until(lambda s: len(s.of("u1.r0")) >= 60, 20.0)
    reasons = {one.reason for one in sink.of("u2.r0")}
    assert reasons == {"exception 11: gateway target device failed to respond", "unit does not answer"}
    assert [request[0] for request in gateway.requests].count(2) < 12


async def test_between_frames_the_line_is_silent_as_long_as_the_standard_asks() -> None:
    at: list[float] = []
    serve = registers_of({1: {0: 1}})

    def respond(request: bytes, number: int) -> list[bytes | float]:
        at.append(time.monotonic())
        return list(serve(request, number) or [])

    async with SerialBus(respond) as bus:
        slow = SerialLine(bus.device, baud=1200, parity="none", stop_bits=2)
        where = ModbusEndpoint("line", "", 0, (point(0, poll=0.001),), framing="rtu", serial=slow, timeout=0.5)
        sink = Sink()
        async with running(runner_for(where, sink).run()):
            await sink.until(lambda s: len(s.readings) >= 6)
    # 3.5 characters of 11 bits at 1200 bit/s (V1.02, 2.5.1.1), and 8 characters for the request itself
    assert slow.silence == pytest.approx(3.5 * 11 / 1200)
    assert min(b - a for a, b in itertools.pairwise(at)) >= slow.silence
    assert SerialLine("/dev/x", baud=38400).silence == 0.00175


async def test_an_adapter_that_is_pulled_out_is_told_and_one_that_is_not_there_is_named() -> None:
    sink = Sink()
    async with SerialBus(registers_of({1: {0: 1}})) as bus:
        runner = runner_for(line_of(bus, point(0)), sink)
        async with running(runner.run()):
            await sink.until_reading(good)
            bus.pull()
            await sink.until(lambda s: len(s.acts) >= 2)
    assert sink.acts[1].act == "endpoint_down"
    absent = ModbusEndpoint("line", "", 0, (point(0),), framing="rtu", serial=SerialLine("/dev/no-such-line"))
    (probed,) = await runner_for(absent, Sink()).probe([])
    assert probed.reason == "not connected: no connection to /dev/no-such-line: no such file or directory"


async def test_a_line_that_another_program_has_open_is_refused_with_the_reason() -> None:
    async with SerialBus(registers_of({1: {0: 1}})) as bus:
        sink = Sink()
        first = runner_for(line_of(bus, point(0)), sink)
        async with running(first.run()):
            await sink.until_reading(good)
            (probed,) = await runner_for(line_of(bus, point(0)), Sink()).probe([])
    assert "another program has it open" in probed.reason
