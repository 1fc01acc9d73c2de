"""Read-only: proven at the wire, by a check that objects to a build with one write in it, and on the source."""

import ast
import contextlib
from pathlib import Path

import pytest
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException

import metrepost.endpoints
from metrepost.endpoints import modbus_link, modbus_rtu_link
from metrepost.endpoints.modbus_link import FourReads, ModbusLink, WriteRefusedError
from metrepost.endpoints.modbus_rtu_link import ModbusRtuLink
from metrepost.endpoints.modbus_runner import ModbusRunner
from metrepost.endpoints.plan import ModbusPoint
from support_modbus import HOST, Device, RealClock, RecordingProxy, Sink, WriteSeenError, endpoint, running
from support_serial import SerialBus, line_of, registers_of

ROOM = Path(metrepost.endpoints.__file__).parent
POINTS = (
    ModbusPoint("g.coil", "coil", 0, "bool", poll=0.02),
    ModbusPoint("g.discrete", "discrete", 0, "bool", poll=0.02),
    ModbusPoint("g.holding", "holding", 0, poll=0.02),
    ModbusPoint("g.input", "input", 0, poll=0.02, clears_on_read=True),
)


class RunnerWithOneWrite(ModbusRunner):
    """A build with one write in it: what the check at the wire is there to find."""

    async def run(self) -> None:
        client = AsyncModbusTcpClient(HOST, port=self._endpoint.port)
        await client.connect()
        await client.write_register(0, 7, device_id=1)
        client.close()
        await super().run()


async def watch(kind: type[ModbusRunner]) -> tuple[RecordingProxy, int]:
    """Run a while through the proxy, over a cut of the connection, and probe; returns the proxy and the register's value."""
    async with (
        Device(coils={0: 1}, discrete={0: 1}, holding={0: 1}, inputs={0: 1}) as device,
        RecordingProxy(device.port) as proxy,
    ):
        sink = Sink()
        runner = kind(endpoint(proxy.port, *POINTS), sink, RealClock(), lambda: 0.0)
        async with running(runner.run()):
            await sink.until(lambda s: len(s.of("g.input")) >= 5)
            proxy.cut()
            await sink.until(lambda s: [act.act for act in s.acts].count("endpoint_up") == 2)
        await runner.probe([], allow_clearing=True)
        assert device._server is not None
        return proxy, int((await device._server.async_getValues(1, 3, 0, 1))[0])


async def test_nothing_but_function_codes_1_to_4_is_seen_on_the_wire() -> None:
    proxy, value = await watch(ModbusRunner)
    proxy.assert_only_reads()
    assert proxy.functions() == {1, 2, 3, 4}, "the check looked at every kind of read"
    assert value == 1


async def test_the_check_objects_to_a_build_with_one_write_in_it() -> None:
    proxy, value = await watch(RunnerWithOneWrite)
    with pytest.raises(WriteSeenError, match="function code 6"):
        proxy.assert_only_reads()
    assert value == 7, "the write really went through"


async def test_a_write_through_the_link_itself_is_refused_before_it_is_sent() -> None:
    async with Device(holding={0: 1}) as device, RecordingProxy(device.port) as proxy:
        link = ModbusLink(endpoint(proxy.port), RealClock())
        assert await link.open() == ""
        client = link._connect.__self__  # type: ignore[attr-defined]
        with pytest.raises(WriteRefusedError, match="only reads"):
            await client.write_register(0, 7, device_id=1)
        link.close()
        assert proxy.frames == []


class RtuRunnerWithOneWrite(ModbusRunner):
    """An RTU build with one write in it."""

    async def run(self) -> None:
        assert self._endpoint.serial is not None
        client = AsyncModbusSerialClient(self._endpoint.serial.device, baudrate=115200, parity="N")
        await client.connect()
        with contextlib.suppress(ModbusException):
            await client.write_register(0, 7, device_id=1)
        client.close()
        await super().run()


async def watch_line(kind: type[ModbusRunner]) -> SerialBus:
    """Run a while on a serial line, over nonsense and silence, and probe; the bus has every request that was on the wire."""
    serve = registers_of({1: {0: 1}, 2: {0: 1}})

    def respond(request: bytes, number: int) -> list[bytes | float]:
        return [] if number % 11 == 5 else [b"\0" * 9] if number % 11 == 7 else list(serve(request, number) or [])

    async with SerialBus(respond) as bus:
        sink = Sink()
        second = ModbusPoint("h.input", "input", 0, poll=0.02, unit_id=2)
        runner = kind(line_of(bus, *POINTS, second, timeout=0.05), sink, RealClock(), lambda: 0.0)
        async with running(runner.run()):
            await sink.until(lambda s: len(s.of("g.input")) >= 12)
        await runner.probe([], allow_clearing=True)
        return bus


async def test_nothing_but_function_codes_1_to_4_is_seen_on_a_serial_line() -> None:
    assert (await watch_line(ModbusRunner)).functions() == {1, 2, 3, 4}, "the check looked at every kind of read"


async def test_the_check_on_a_serial_line_objects_to_a_build_with_one_write_in_it() -> None:
    assert 6 in (await watch_line(RtuRunnerWithOneWrite)).functions()


async def test_a_write_through_the_serial_link_itself_is_refused_before_it_is_sent() -> None:
    async with SerialBus(registers_of({1: {0: 1}})) as bus:
        link = ModbusRtuLink(line_of(bus), RealClock())
        assert await link.open() == ""
        client = link._connect.__self__  # type: ignore[attr-defined]
        with pytest.raises(WriteRefusedError, match="only reads"):
            await client.write_register(0, 7, device_id=1)
        link.close()
        assert bus.requests == []


def test_the_facade_offers_reading_and_nothing_else() -> None:
    assert [name for name in dir(FourReads) if not name.startswith("_")] == ["read"]
    assert FourReads.__slots__ == ("_reads",)


def test_the_source_names_no_method_of_the_library_that_writes_or_diagnoses() -> None:
    """Also not by way of `execute`, and the library is imported in two files only."""
    allowed = {"read_coils", "read_discrete_inputs", "read_holding_registers", "read_input_registers"}
    offered = {name for name in dir(AsyncModbusTcpClient) if not name.startswith("_")}
    harmless = {"connect", "connected", "close", "ctx", "register", "comm_params"}
    forbidden = offered - allowed - harmless
    assert {"write_register", "write_coil", "mask_write_register", "execute", "diag_clear_counters"} <= forbidden
    for path in sorted(ROOM.glob("*.py")):
        tree = ast.parse(path.read_text())
        imported = {
            (node.module or "") if isinstance(node, ast.ImportFrom) else alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.Import | ast.ImportFrom)
            for alias in node.names
        }
        if path.name not in (Path(modbus_link.__file__).name, Path(modbus_rtu_link.__file__).name):
            assert not any(name.startswith("pymodbus") for name in imported), path.name
        if path.name.startswith("modbus_"):
            used = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
            assert not used & forbidden, path.name
