"""The runner against real servers, over real sockets."""

import asyncio
import contextlib
import math
import struct
import time

import pytest
from pymodbus.constants import ExcCodes

from metrepost.endpoints.modbus_runner import ModbusRunner
from metrepost.endpoints.plan import ModbusEndpoint, ModbusPoint
from metrepost.readings import BAD, GOOD, Act, Reading
from support_modbus import Device, RealClock, RecordingProxy, Script, Sink, answer, endpoint, free_port, running, words


def point(register: int = 0, type_: str = "uint16", **settings: object) -> ModbusPoint:
    settings.setdefault("table", "holding")
    settings.setdefault("tag", f"g.r{register}")
    settings.setdefault("poll", 0.02)
    return ModbusPoint(register=register, type=type_, **settings)  # type: ignore[arg-type]


def runner_for(where: ModbusEndpoint, sink: Sink) -> ModbusRunner:
    return ModbusRunner(where, sink, RealClock(), jitter=lambda: 0.0)


def good(reading: Reading) -> bool:
    return reading.quality is GOOD


def packed(code: str, number: float) -> dict[int, int]:
    raw = struct.pack(">" + code, number)
    return {at // 2: int.from_bytes(raw[at : at + 2], "big") for at in range(0, len(raw), 2)}


async def test_all_tables_and_types_arrive_in_register_order_in_one_batch() -> None:
    holding = {}
    for start, (code, number) in {
        0: ("h", -5),
        1: ("i", -70000),
        3: ("q", -(2**40)),
        7: ("f", 4.5),
        9: ("d", 1e-9),
        13: ("Q", 2**50),
    }.items():
        holding |= {start + at: word for at, word in packed(code, number).items()}
    points = [
        point(13, "uint64"),
        point(9, "float64"),
        point(7, "float32"),
        point(3, "int64"),
        point(1, "int32"),
        point(0, "int16"),
        point(100, "uint16", table="input", scale=0.5, offset=1.0),
        point(101, table="input", bit=9),
        point(5, "bool", table="coil"),
        point(17, "bool", table="discrete"),
    ]
    async with Device(coils={5: 1}, discrete={17: 1}, holding=holding, inputs={100: 8, 101: 1 << 9}) as device:
        sink = Sink()
        runner = runner_for(endpoint(device.port, *points), sink)
        async with running(runner.run()):
            await sink.until(lambda s: len(s.readings) >= 2 * len(points))
    assert isinstance(sink.inputs[0], Act)
    batch = [one for one in sink.batches[1] if isinstance(one, Reading)]
    assert [(one.tag, one.value, one.quality) for one in batch] == [
        ("g.r5", 1.0, GOOD),
        ("g.r17", 1.0, GOOD),
        ("g.r0", -5.0, GOOD),
        ("g.r1", -70000.0, GOOD),
        ("g.r3", -(2.0**40), GOOD),
        ("g.r7", 4.5, GOOD),
        ("g.r9", 1e-9, GOOD),
        ("g.r13", 2.0**50, GOOD),
        ("g.r100", 5.0, GOOD),
        ("g.r101", 1.0, GOOD),
    ]
    assert set(device.asked) == {(1, 5, 1), (2, 17, 1), (3, 0, 17), (4, 100, 2)}
    assert all(function in (1, 2, 3, 4) for function, _, _ in device.asked)


async def test_source_time_lies_between_request_and_answer_with_half_the_round_trip_as_uncertainty() -> None:
    clock = RealClock()
    asked: list[float] = []

    def slow(request: bytes, _: int) -> list[bytes | float]:
        asked.append(clock.line_time())
        return [0.05, answer(request, words(1))]

    async with Script(slow) as script:
        sink = Sink()
        async with running(runner_for(endpoint(script.port, point(latency=0.004)), sink).run()):
            await sink.until(lambda s: s.readings)
    (reading, *_) = sink.readings
    assert 0.025 <= reading.time_uncertainty < 0.045
    assert reading.time + 0.004 == pytest.approx(asked[0] + reading.time_uncertainty, abs=0.01)


async def test_device_that_is_down_at_start_is_reported_and_read_once_it_is_there() -> None:
    device = Device(holding={0: 42})
    sink = Sink()
    runner = runner_for(endpoint(device.port, point()), sink)
    async with running(runner.run()):
        await sink.until(lambda s: len(s.of("g.r0")) >= 3)
        assert {(one.quality, one.reason) for one in sink.readings} == {(BAD, "not connected")}
        assert all(math.isnan(one.value) for one in sink.readings)
        assert [act.act for act in sink.acts] == ["endpoint_down"]
        assert "connection refused" in sink.acts[0].reason and sink.acts[0].endpoint == "gauges"
        assert not runner.health.up and "refused" in runner.health.reason
        async with device:
            reading = await sink.until_reading(good)
            assert reading.value == 42.0
            assert [act.act for act in sink.acts] == ["endpoint_down", "endpoint_up"]
            assert runner.health.up


async def test_a_host_name_that_does_not_exist_is_said_so() -> None:
    sink = Sink()
    where = ModbusEndpoint("gauges", "no..name", 502, (point(),), timeout=0.1)
    async with running(runner_for(where, sink).run()):
        await sink.until(lambda s: s.acts)
    assert sink.acts[0].act == "endpoint_down"
    assert "no..name:502" in sink.acts[0].reason


async def test_server_restart_is_outlived() -> None:
    device = Device(holding={0: 1})
    sink = Sink()
    runner = runner_for(endpoint(device.port, point()), sink)
    await device.start()
    async with running(runner.run()):
        await sink.until_reading(good)
        await device.stop()
        await sink.until(lambda s: s.readings[-1].reason == "not connected")
        device.tables[2][0] = 2
        async with device:
            await sink.until_reading(lambda one: one.value == 2.0)
    assert [act.act for act in sink.acts] == ["endpoint_up", "endpoint_down", "endpoint_up"]
    assert runner.health.reconnects == 1
    assert runner.health.values == sum(good(one) for one in sink.readings)


async def test_a_connection_cut_in_mid_request_ends_the_request_at_once() -> None:
    """The library alone would wait for the whole time-out."""

    def close_second(request: bytes, number: int) -> list[bytes | float] | None:
        return None if number == 1 else [answer(request, words(number))]

    async with Script(close_second) as script:
        sink = Sink()
        began = time.monotonic()
        async with running(runner_for(endpoint(script.port, point(), timeout=20.0), sink).run()):
            await sink.until_reading(lambda one: one.reason == "connection lost")
            assert time.monotonic() - began < 5.0
            await sink.until_reading(lambda one: one.value == 2.0)


async def test_a_half_open_link_is_given_up_after_three_silences_and_made_anew() -> None:
    async with Device(holding={0: 9}) as device, RecordingProxy(device.port) as proxy:
        sink = Sink()
        runner = runner_for(endpoint(proxy.port, point(), timeout=0.05), sink)
        async with running(runner.run()):
            await sink.until_reading(good)
            proxy.frozen = True
            await sink.until(lambda s: len(s.acts) == 2)
            assert [one.reason for one in sink.readings if one.reason == "timeout"] == ["timeout"] * 3
            assert "3 requests in a row" in sink.acts[1].reason
            proxy.frozen = False
            seen = len(sink.readings)
            await sink.until(lambda s: any(good(one) for one in s.readings[seen:]))
        proxy.assert_only_reads()


async def test_a_mute_server_gives_timeouts_and_is_never_called_up() -> None:
    async with Script(lambda *_: []) as script:
        sink = Sink()
        runner = runner_for(endpoint(script.port, point(), timeout=0.05), sink)
        async with running(runner.run()):
            await sink.until(lambda s: script.connections >= 2)
        assert [act.act for act in sink.acts] == ["endpoint_down"]
        assert {one.reason for one in sink.readings} == {"timeout", "not connected"}
        assert runner.health.failures >= 3 and not runner.health.up


async def test_cancelling_against_a_mute_server_ends_at_once() -> None:
    async with Script(lambda *_: []) as script:
        task = asyncio.ensure_future(runner_for(endpoint(script.port, point(), timeout=30.0), Sink()).run())
        while not script.requests:
            await asyncio.sleep(0.005)
        began = time.monotonic()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert task.cancelled()
        assert time.monotonic() - began < 1.0


async def test_cancelling_at_any_moment_ends_the_runner() -> None:
    """Also in the very turn in which an answer arrives."""
    async with Device(holding={0: 1}) as device:
        for turns in range(0, 120, 3):
            task = asyncio.ensure_future(runner_for(endpoint(device.port, point(poll=0.0001)), Sink()).run())
            for _ in range(turns):
                await asyncio.sleep(0)
            task.cancel()
            done, _ = await asyncio.wait({task}, timeout=2.0)
            while not task.done():  # leave nothing behind when this fails
                task.cancel()
                await asyncio.sleep(0.001)
            assert done and task.cancelled(), f"cancelled after {turns} turns of the loop, and went on"


NONSENSE = {
    "transaction id 0": ("wrong transaction id", lambda r: answer(r, words(666), transaction=0)),
    "wrong transaction id": (
        "wrong transaction id",
        lambda r: answer(r, words(666), transaction=int.from_bytes(r[:2], "big") + 7),
    ),
    "wrong unit id": ("wrong unit id", lambda r: answer(r, words(666), unit=9)),
    "wrong function": ("wrong function code", lambda r: answer(r, words(666), function=4)),
    "exception of another function": ("wrong function code", lambda r: answer(r, words(666), function=0x84)),
    "too long": ("wrong length", lambda r: answer(r, words(666, 667))),
    "too short": ("wrong length", lambda r: answer(r, b"\x02")),
    "byte count lies": ("wrong length", lambda r: answer(r, words(666))[:8] + b"\x04" + words(666)),
    "broken off": ("short answer", lambda r: answer(r, words(666))[:-1]),
    "protocol id": ("not modbus", lambda r: r[:2] + b"\0\1" + answer(r, words(666))[4:]),
    "garbage": ("not modbus", lambda _: b"220 hello there\r\n"),
    "zeros": ("not modbus", lambda _: bytes(300)),
    "random": ("not modbus", lambda _: b"\xa5\x5a" * 200),
}


@pytest.mark.parametrize("kind", NONSENSE)
async def test_nonsense_is_bad_with_its_reason_and_never_a_value(kind: str) -> None:
    """The second answer is nonsense, the ones after it are right: readings must go on."""
    reason, make = NONSENSE[kind]

    def script(request: bytes, number: int) -> list[bytes | float]:
        return [make(request)] if number == 1 else [answer(request, words(5))]

    async with Script(script) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, point(), timeout=0.1), sink).run()):
            await sink.until_reading(lambda one: one.quality is BAD)
            seen = len(sink.readings)
            await sink.until(lambda s: any(good(one) for one in s.readings[seen:]))
    assert sink.readings[1].reason == reason
    assert {one.value for one in sink.readings if not math.isnan(one.value)} == {5.0}


async def test_nonsense_ends_its_request_at_once_and_does_not_wait_for_the_time_out() -> None:
    def script(request: bytes, number: int) -> list[bytes | float]:
        return [answer(request, words(666), unit=9)] if number == 0 else [answer(request, words(5))]

    async with Script(script) as server:
        sink = Sink()
        began = time.monotonic()
        async with running(runner_for(endpoint(server.port, point(), timeout=20.0), sink).run()):
            await sink.until_reading(good)
        assert time.monotonic() - began < 5.0
        assert server.connections == 1, "the stream is still in step"


async def test_a_device_that_always_answers_with_transaction_id_0_is_never_believed_and_the_reason_is_told() -> None:
    async with Script(lambda request, _: [answer(request, words(666), transaction=0)]) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, point()), sink).run()):
            await sink.until(lambda s: s.acts)
    assert sink.acts[0].act == "endpoint_down"
    assert "wrong transaction id (transaction id 0, expected 3)" in sink.acts[0].reason
    assert {one.reason for one in sink.readings} <= {"wrong transaction id", "not connected"}


async def test_a_device_that_takes_connections_and_says_nothing_is_tried_less_and_less_often() -> None:
    at: list[float] = []

    class Timed(Script):
        async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            at.append(time.monotonic())
            await super()._serve(reader, writer)

    async with Timed(lambda *_: []) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, point(), timeout=0.01), sink).run()):
            await sink.until(lambda _: len(at) >= 3)
    assert at[2] - at[1] > (at[1] - at[0]) + 0.1


async def test_late_answers_are_never_taken_for_the_next_ones() -> None:
    """Every third answer comes after its time-out, in one piece with the next one; each value tells its own request."""
    owed: list[bytes] = []

    def script(request: bytes, number: int) -> list[bytes | float]:
        register = int.from_bytes(request[8:10], "big")
        right = answer(request, words(*([register * 100] * 120)))
        if number % 3 == 1:
            owed.append(right)
            return []
        return [b"".join([*owed, right])] if not owed else [owed.pop() + right]

    points = [point(register, tag=f"g.r{register}") for register in (1, 200)]
    points += [
        point(register + 119) for register in (1, 200)
    ]  # whole answers of 120 registers: two exceed the library's buffer
    async with Script(script) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, *points, timeout=0.05, max_gap=125), sink).run()):
            await sink.until(lambda s: sum(good(one) for one in s.readings) >= 24)
        assert server.connections == 1
    assert {(one.tag, one.value) for one in sink.readings if good(one)} == {
        ("g.r1", 100.0),
        ("g.r120", 100.0),
        ("g.r200", 20000.0),
        ("g.r319", 20000.0),
    }
    assert {one.reason for one in sink.readings} == {"", "timeout"}


async def test_an_answer_in_single_bytes_is_put_together() -> None:
    async with Script(
        lambda request, _: [part for byte in answer(request, words(77)) for part in (bytes([byte]), 0.001)]
    ) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, point(poll=0.1)), sink).run()):
            assert (await sink.until_reading(good)).value == 77.0


async def test_unasked_frames_between_polls_lead_to_a_new_connection_and_no_value() -> None:
    async with Script(
        lambda request, number: (
            [answer(request, words(1)), 0.03, answer(request, words(666), transaction=99)]
            if number == 0
            else [answer(request, words(2))]
        )
    ) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, point(poll=0.1)), sink).run()):
            await sink.until_reading(lambda one: one.value == 2.0)
        assert server.connections == 2
    assert {one.value for one in sink.readings if good(one)} == {1.0, 2.0}


@pytest.mark.parametrize(
    ("code", "reason"),
    [
        (ExcCodes.ILLEGAL_VALUE, "exception 3: illegal data value"),
        (ExcCodes.DEVICE_FAILURE, "exception 4: server device failure"),
        (ExcCodes.DEVICE_BUSY, "exception 6: server device busy"),
        (ExcCodes.GATEWAY_NO_RESPONSE, "exception 11: gateway target device failed to respond"),
    ],
)
async def test_exception_answers_are_bad_in_the_words_of_the_standard_and_the_device_is_up(code: ExcCodes, reason: str) -> None:
    async with Device(holding={0: 1}) as device:
        device.refuse = code
        sink = Sink()
        runner = runner_for(endpoint(device.port, point()), sink)
        async with running(runner.run()):
            await sink.until(lambda s: len(s.readings) >= 6)
            assert {one.reason for one in sink.readings} == {reason}
            assert [act.act for act in sink.acts] == ["endpoint_up"]
            device.refuse = None
            await sink.until_reading(good)


async def test_a_block_with_a_hole_is_asked_in_smaller_pieces_from_the_next_poll_on() -> None:
    async with Device(holding={0: 10, 1: 11, 4: 14}) as device, RecordingProxy(device.port) as proxy:
        sink = Sink()
        async with running(runner_for(endpoint(proxy.port, point(0), point(1), point(4)), sink).run()):
            await sink.until(lambda s: len(s.of("g.r4")) >= 3)
    assert [one.reason for one in sink.of("g.r0")[:1]] == ["exception 2: illegal data address"]
    assert [[one.value for one in sink.of(tag)[1:3]] for tag in ("g.r0", "g.r1", "g.r4")] == [
        [10.0] * 2,
        [11.0] * 2,
        [14.0] * 2,
    ]
    assert [(frame[9], frame[11]) for frame in proxy.frames[:5]] == [(0, 5), (0, 2), (4, 1), (0, 2), (4, 1)]


async def test_after_a_new_connection_a_refused_block_is_tried_whole_again() -> None:
    device = Device(holding={0: 10, 4: 14})
    await device.start()
    async with RecordingProxy(device.port) as proxy:
        sink = Sink()
        async with running(runner_for(endpoint(proxy.port, point(0), point(4)), sink).run()):
            await sink.until_reading(good)
            await device.stop()
            await sink.until(lambda s: s.readings[-1].reason == "not connected")
            device.tables[2].update({1: 0, 2: 0, 3: 0})
            await device.start()
            before, seen = len(proxy.frames), len(sink.readings)
            await sink.until(lambda s: any(good(one) for one in s.readings[seen:]))
        assert {frame[11] for frame in proxy.frames[before:]} == {5}
    await device.stop()


async def test_one_tag_that_does_not_exist_does_not_take_its_neighbours_with_it() -> None:
    async with Device(holding={0: 10, 1: 11}) as device:
        sink = Sink()
        async with running(runner_for(endpoint(device.port, point(0), point(1), point(2)), sink).run()):
            await sink.until(lambda s: len(s.of("g.r2")) >= 4)
    assert (sink.of("g.r0")[2].value, sink.of("g.r1")[2].value) == (10.0, 11.0)
    assert {one.reason for one in sink.of("g.r2")} == {"exception 2: illegal data address"}


async def test_nan_and_range_come_through_as_bad_readings() -> None:
    async with Device(holding={0: 0x7FC0, 1: 0, 2: 9}) as device:
        sink = Sink()
        async with running(runner_for(endpoint(device.port, point(0, "float32"), point(2, valid_high=8.0)), sink).run()):
            await sink.until(lambda s: s.readings)
    assert [(one.quality, one.reason) for one in sink.readings[:2]] == [(BAD, "not a number"), (BAD, "range")]
    assert sink.readings[1].value == 9.0


async def test_a_register_cleared_by_reading_is_asked_once_a_poll_and_never_again_after_a_lost_answer() -> None:
    sent_at: list[float] = []

    def script(request: bytes, number: int) -> list[bytes | float]:
        sent_at.append(time.monotonic())
        return [] if number == 1 else [answer(request, words(1))]

    async with Script(script) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, point(clears_on_read=True, poll=0.2), timeout=0.05), sink).run()):
            await sink.until(lambda s: len(s.readings) >= 3)
    assert [one.reason for one in sink.readings[:3]] == ["", "timeout", ""]
    assert sent_at[2] - sent_at[1] > 0.15


async def test_beats_keep_their_places_and_missed_ones_are_counted() -> None:
    """An answer that takes two and a half periods: what is served and what is missed adds up to the time gone by."""
    sent_at: list[float] = []

    def script(request: bytes, number: int) -> list[bytes | float]:
        sent_at.append(time.monotonic())
        return [0.1, answer(request, words(1))] if number == 2 else [answer(request, words(1))]

    async with Script(script) as server:
        sink = Sink()
        runner = runner_for(endpoint(server.port, point(poll=0.04), timeout=1.0), sink)
        async with running(runner.run()):
            await sink.until(lambda s: len(s.readings) >= 12)
    beats = [round((at - sent_at[0]) / 0.04) for at in sent_at[:12]]
    assert beats[:3] == [0, 1, 2]
    assert beats[-1] == 11 + runner.health.missed_deadlines
    assert runner.health.missed_deadlines >= 1
    on_time = [at - sent_at[0] - beat * 0.04 for at, beat in zip(sent_at[5:12], beats[5:12], strict=True)]
    assert max(on_time) - min(on_time) < 0.03, "no drift"


async def test_a_fast_poll_is_not_held_up_by_the_many_requests_of_a_slow_one() -> None:
    """Twenty requests of a slow poll take 20 x 10 ms; the fast poll goes between them."""
    slow = [point(1000 + 200 * n, poll=1.0) for n in range(20)]
    order: list[int] = []

    def script(request: bytes, _: int) -> list[bytes | float]:
        order.append(int.from_bytes(request[8:10], "big"))
        return [0.01, answer(request, words(1))]

    async with Script(script) as server:
        sink = Sink()
        async with running(runner_for(endpoint(server.port, point(0, poll=0.05), *slow), sink).run()):
            await sink.until(lambda s: s.of("g.r4800"))
    assert order.count(0) >= 4
    batch = next(batch for batch in sink.batches if isinstance(batch[0], Reading) and batch[0].tag == "g.r1000")
    assert [one.tag for one in batch if isinstance(one, Reading)] == [one.tag for one in slow]


async def test_a_dead_device_delays_no_other() -> None:
    async with Device(holding={0: 1}) as device, Script(lambda *_: []) as mute:
        alive, dead, nobody = Sink(), Sink(), Sink()
        runs = [
            runner_for(endpoint(mute.port, point(), timeout=5.0), dead),
            runner_for(endpoint(free_port(), point()), nobody),
            runner_for(endpoint(device.port, point()), alive),
        ]
        async with running(*(one.run() for one in runs)):
            await alive.until(lambda s: len(s.readings) >= 25)
            gaps = [b.time - a.time for a, b in zip(alive.readings, alive.readings[1:], strict=False)]
            assert max(gaps) < 0.2
        assert not dead.readings


async def test_answers_that_arrive_corrupted_never_become_values() -> None:
    flips = iter(range(10_000))

    def corrupt(frame: bytes) -> bytes:
        at = next(flips) % 9  # one of the header bytes, in turn
        return frame[:at] + bytes([frame[at] ^ 0x5A]) + frame[at + 1 :]

    async with Device(holding={0: 1234}) as device, RecordingProxy(device.port) as proxy:
        sink = Sink()
        proxy.corrupt = corrupt
        async with running(runner_for(endpoint(proxy.port, point(), timeout=0.05), sink).run()):
            await sink.until(lambda s: len({one.reason for one in s.readings}) >= 5)
        assert not any(good(one) for one in sink.readings)


async def test_probe_gives_raw_words_value_and_round_trip_for_each_tag() -> None:
    points = [point(0, "float32"), point(2, scale=0.1), point(7, "bool", table="coil"), point(99)]
    async with Device(coils={7: 1}, holding={0: 0x4092, 1: 0x4DD3, 2: 0x7B}) as device:
        probed = await runner_for(endpoint(device.port, *points), Sink()).probe([])
    by_tag = {one.tag: one for one in probed}
    assert (by_tag["g.r0"].raw, by_tag["g.r0"].value) == ("0x4092 0x4DD3", pytest.approx(4.572, rel=1e-6))
    assert (by_tag["g.r2"].raw, by_tag["g.r2"].value) == ("0x007B", pytest.approx(12.3))
    assert (by_tag["g.r7"].raw, by_tag["g.r7"].value) == ("1", 1.0)
    assert (by_tag["g.r99"].quality, by_tag["g.r99"].reason) == ("bad", "exception 2: illegal data address")
    assert by_tag["g.r0"].quality == "good" and by_tag["g.r0"].round_trip > 0.0
    assert by_tag["g.r0"].detail == {"table": "holding", "register": 0, "type": "float32", "count": 2}


async def test_probe_does_not_touch_registers_that_are_cleared_by_reading_unless_told() -> None:
    points = [point(0), point(1, clears_on_read=True), point(1, tag="g.again", bit=0)]
    async with Device(holding={0: 1, 1: 2}) as device:
        runner = runner_for(endpoint(device.port, *points), Sink())
        assert [one.tag for one in await runner.probe([])] == ["g.r0"]
        refused = await runner.probe(["g.r1", "g.again"])
        assert [(one.quality, "cleared by reading" in one.reason) for one in refused] == [("bad", True)] * 2
        assert {address for _, address, _ in device.asked} == {0}
        (allowed,) = await runner.probe(["g.r1"], allow_clearing=True)
        assert (allowed.value, allowed.quality) == (2.0, "good")


async def test_probe_says_what_is_wrong_with_unknown_tags_and_absent_devices() -> None:
    (unknown,) = await runner_for(endpoint(free_port(), point(0)), Sink()).probe(["g.nope"])
    assert unknown.quality == "bad" and "g.r0" in unknown.reason
    (absent,) = await runner_for(endpoint(free_port(), point(0)), Sink()).probe(["g.r0"])
    assert absent.quality == "bad" and absent.reason.startswith("not connected") and "refused" in absent.reason


async def test_an_endpoint_without_points_connects_and_waits() -> None:
    async with Device(holding={0: 1}) as device:
        task = asyncio.ensure_future(runner_for(endpoint(device.port), Sink()).run())
        await asyncio.sleep(0.05)
        assert not task.done()
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
