"""Modbus devices for tests: real pymodbus servers, a server that answers from a script, and a recording TCP proxy."""

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable, Sequence
from typing import Self

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from metrepost.endpoints.plan import ModbusEndpoint, ModbusPoint
from metrepost.readings import Act, Reading

HOST = "127.0.0.1"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


class RealClock:
    """Line time that runs with the monotonic clock."""

    def line_time(self) -> float:
        return 1_000_000.0 + time.monotonic()

    def monotonic(self) -> float:
        return time.monotonic()


def endpoint(port: int, *points: ModbusPoint, timeout: float = 0.2, **settings: object) -> ModbusEndpoint:
    return ModbusEndpoint("gauges", HOST, port, points, timeout=timeout, **settings)  # type: ignore[arg-type]


class Sink:
    """A `Deliver` that keeps everything, and can be waited on."""

    def __init__(self) -> None:
        self.batches: list[list[Reading | Act]] = []
        self._news = asyncio.Event()

    def __call__(self, batch: Sequence[Reading | Act]) -> None:
        self.batches.append(list(batch))
        self._news.set()

    @property
    def inputs(self) -> list[Reading | Act]:
        return [one for batch in self.batches for one in batch]

    @property
    def readings(self) -> list[Reading]:
        return [one for one in self.inputs if isinstance(one, Reading)]

    @property
    def acts(self) -> list[Act]:
        return [one for one in self.inputs if isinstance(one, Act)]

    def of(self, tag: str) -> list[Reading]:
        return [one for one in self.readings if one.tag == tag]

    async def until(self, enough: Callable[["Sink"], object], limit: float = 8.0) -> None:
        """Wait until `enough` holds; TimeoutError says it never did."""
        async with asyncio.timeout(limit):
            while not enough(self):
                self._news.clear()
                await self._news.wait()

    async def until_reading(self, wanted: Callable[[Reading], object], limit: float = 8.0) -> Reading:
        await self.until(lambda sink: any(wanted(one) for one in sink.readings), limit)
        return next(one for one in self.readings if wanted(one))


@contextlib.asynccontextmanager
async def running(*runs: Awaitable[None]) -> AsyncIterator[list["asyncio.Task[None]"]]:
    """Run in the background; cancel at the end, and see every error that is not that cancellation."""
    tasks = [asyncio.ensure_future(run) for run in runs]
    try:
        yield tasks
    finally:
        for task in tasks:
            task.cancel()
        for outcome in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(outcome, BaseException) and not isinstance(outcome, asyncio.CancelledError):
                raise outcome


Table = dict[int, int]


class Device:
    """A real pymodbus server. Tables are register → value; addresses that are not in a table do not exist."""

    def __init__(
        self,
        port: int = 0,
        *,
        coils: Table | None = None,
        discrete: Table | None = None,
        holding: Table | None = None,
        inputs: Table | None = None,
        unit: int = 1,
    ) -> None:
        self.port = port or free_port()
        self.unit = unit
        self.tables = (coils or {}, discrete or {}, holding or {}, inputs or {})
        self.asked: list[tuple[int, int, int]] = []
        self.refuse: ExcCodes | None = None
        self.hold: asyncio.Event | None = None
        self._server: ModbusTcpServer | None = None

    async def _action(
        self, function: int, start: int, address: int, count: int, current: list[int], values: list[int] | list[bool] | None
    ) -> ExcCodes | None:
        self.asked.append((function, address, count))
        if self.hold is not None:
            await self.hold.wait()
        return self.refuse

    async def start(self) -> None:
        blocks = tuple(
            [SimData(address, values=value, datatype=DataType.REGISTERS) for address, value in sorted(table.items())]
            if number > 1
            else _bits(table)
            for number, table in enumerate(self.tables)
        )
        spare = [SimData(60000, values=0, datatype=DataType.REGISTERS)]
        spare_bits = [SimData(60000, values=[False] * 16, datatype=DataType.BITS)]
        data = tuple(block or (spare if number > 1 else spare_bits) for number, block in enumerate(blocks))
        self._server = ModbusTcpServer(SimDevice(self.unit, simdata=data, action=self._action), address=(HOST, self.port))  # type: ignore[arg-type]
        await self._server.serve_forever(background=True)

    async def stop(self) -> None:
        if self._server is not None:
            server, self._server = self._server, None
            await server.shutdown()
            await asyncio.sleep(0)

    async def __aenter__(self) -> "Device":
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()


def _bits(table: Table) -> list[SimData]:
    """In a table of its own every address is one bit."""
    if not table:
        return []
    values = [bool(table.get(bit, 0)) for bit in range(min(table), max(table) + 1)]
    return [SimData(min(table), values=values, datatype=DataType.BITS)]


def answer(
    request: bytes, data: bytes, *, transaction: int | None = None, unit: int | None = None, function: int | None = None
) -> bytes:
    """A well-made answer to a request frame, with parts of the header changed at will."""
    head = request[:2] if transaction is None else transaction.to_bytes(2, "big")
    pdu = bytes([request[7] if function is None else function, len(data)]) + data
    return head + b"\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes([request[6] if unit is None else unit]) + pdu


def words(*values: int) -> bytes:
    return b"".join(value.to_bytes(2, "big") for value in values)


Reply = Callable[[bytes, int], Iterable[bytes | float] | None]
"""Gets a request frame and its number (from 0 over all connections). Bytes are sent, floats are pauses in seconds; None closes."""


class Script:
    """A TCP server that answers whole request frames as a function says: nonsense, late, in pieces, or not at all."""

    def __init__(self, reply: Reply, port: int = 0) -> None:
        self.port = port or free_port()
        self.requests: list[bytes] = []
        self.connections = 0
        self._reply = reply
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, HOST, self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _request(self, reader: asyncio.StreamReader) -> bytes:
        head = await reader.readexactly(6)
        return head + await reader.readexactly(int.from_bytes(head[4:6], "big"))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        try:
            while True:
                request = await self._request(reader)
                self.requests.append(request)
                parts = self._reply(request, len(self.requests) - 1)
                if parts is None:
                    return
                for part in parts:
                    if isinstance(part, float):
                        await asyncio.sleep(part)
                    else:
                        writer.write(part)
                        await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass
        finally:
            writer.close()
            self._tasks.discard(task)


class WriteSeenError(AssertionError):
    """A request other than the four reads went over the wire."""


class RecordingProxy:
    """A TCP proxy that keeps every request frame, and can cut, delay, swallow and corrupt."""

    def __init__(self, target: int) -> None:
        self.port = free_port()
        self.frames: list[bytes] = []
        self.delay = 0.0
        self.frozen = False
        self.refusing = False
        self.corrupt: Callable[[bytes], bytes] | None = None
        self._target = target
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._writers: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> "RecordingProxy":
        self._server = await asyncio.start_server(self._serve, HOST, self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        """Drop every connection now."""
        for writer in list(self._writers):
            writer.transport.abort()

    def functions(self) -> set[int]:
        return {frame[7] for frame in self.frames}

    def assert_only_reads(self) -> None:
        """Raise WriteSeenError when a frame seen so far carries anything but function codes 1 to 4."""
        for frame in self.frames:
            if frame[2:4] != b"\0\0" or not 1 <= frame[7] <= 4:
                raise WriteSeenError(f"function code {frame[7]} on the wire: {frame.hex(' ')}")

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        pair = {writer}
        try:
            if self.refusing:
                return
            far_reader, far_writer = await asyncio.open_connection(HOST, self._target)
            pair.add(far_writer)
            self._writers |= pair
            async with asyncio.TaskGroup() as both:
                both.create_task(self._requests(reader, far_writer))
                both.create_task(self._answers(far_reader, writer))
        except* (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass
        finally:
            for one in pair:
                one.close()
            self._writers -= pair
            self._tasks.discard(task)

    async def _requests(self, reader: asyncio.StreamReader, far: asyncio.StreamWriter) -> None:
        while True:
            head = await reader.readexactly(6)
            frame = head + await reader.readexactly(int.from_bytes(head[4:6], "big"))
            self.frames.append(frame)
            if not self.frozen:
                far.write(frame)

    async def _answers(self, far: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            head = await far.readexactly(6)
            frame = head + await far.readexactly(int.from_bytes(head[4:6], "big"))
            if self.delay:
                await asyncio.sleep(self.delay)
            if not self.frozen:
                writer.write(frame if self.corrupt is None else self.corrupt(frame))
