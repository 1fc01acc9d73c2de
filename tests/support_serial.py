"""A serial line for tests: two pseudo-terminals with a bridge between them, RTU devices written from the standard, and noise.

The devices share no code with the product: their CRC is worked out bit by bit, as section 6.2.2 of MODBUS over Serial Line V1.02
tells it in words.
"""

import asyncio
import contextlib
import os
import termios
import tty
from collections.abc import AsyncIterator, Callable, Iterable
from typing import Any

from metrepost.endpoints.plan import ModbusEndpoint, ModbusPoint, SerialLine
from support_modbus import Script


def crc16(data: bytes) -> bytes:
    """Bit by bit; low byte first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            odd = register & 1
            register >>= 1
            if odd:
                register ^= 0xA001
    return bytes([register & 0xFF, register >> 8])


def rtu(body: bytes) -> bytes:
    """A frame with its CRC."""
    return body + crc16(body)


def rtu_answer(request: bytes, data: bytes, *, unit: int | None = None, function: int | None = None) -> bytes:
    head = bytes([request[0] if unit is None else unit, request[1] if function is None else function, len(data)])
    return rtu(head + data)


Respond = Callable[[bytes, int], Iterable[bytes | float] | None]
"""Gets a request frame and its number. Bytes are sent, floats are pauses in seconds, None is silence."""


def registers_of(tables: dict[int, dict[int, int]]) -> Respond:
    """Devices by unit id, each with registers that all four tables share. A unit that is not there is silent."""

    def respond(request: bytes, _: int) -> list[bytes | float]:
        table = tables.get(request[0])
        if table is None:
            return []
        function, start, count = request[1], int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        values = [table.get(register) for register in range(start, start + count)]
        if None in values:
            return [rtu(bytes([request[0], function | 0x80, 2]))]
        if function < 3:
            bits = sum(bool(value) << at for at, value in enumerate(values))
            return [rtu_answer(request, bits.to_bytes((count + 7) // 8, "little"))]
        return [rtu_answer(request, b"".join((value or 0).to_bytes(2, "big") for value in values))]

    return respond


class SerialBus:
    """A line with a master's end (`device`, a pseudo-terminal) and devices that answer as `respond` says.

    `spoil` may change what the devices send before the master gets it; None swallows it. `pull` unplugs the adapter.
    """

    def __init__(self, respond: Respond) -> None:
        self.respond = respond
        self.spoil: Callable[[bytes], bytes] | None = None
        self.requests: list[bytes] = []
        self.device = ""
        self._master = -1
        self._arrived = b""
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> "SerialBus":
        self._master, slave = os.openpty()
        self.device = os.ttyname(slave)
        tty.setraw(slave, termios.TCSANOW)
        os.close(slave)
        os.set_blocking(self._master, False)
        asyncio.get_running_loop().add_reader(self._master, self._read)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.pull()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def pull(self) -> None:
        """Unplug the adapter."""
        if self._master >= 0:
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            self._master = -1

    def functions(self) -> set[int]:
        return {request[1] for request in self.requests}

    def send(self, data: bytes) -> None:
        """Put bytes on the line unasked."""
        if self._master >= 0:
            os.write(self._master, data)

    def _read(self) -> None:
        # the read fails while nobody has the other end open
        with contextlib.suppress(OSError):
            self._arrived += os.read(self._master, 4096)
        while len(self._arrived) >= 8:
            request, self._arrived = self._arrived[:8], self._arrived[8:]
            assert crc16(request[:6]) == request[6:], f"a request with a wrong CRC: {request.hex(' ')}"
            self.requests.append(request)
            task = asyncio.ensure_future(self._answer(request, len(self.requests) - 1))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _answer(self, request: bytes, number: int) -> None:
        for part in self.respond(request, number) or ():
            if isinstance(part, float):
                await asyncio.sleep(part)
            else:
                self.send(part if self.spoil is None else self.spoil(part))


class RtuGateway(Script):
    """A TCP server that carries RTU frames to devices that answer as `respond` says; None: no device answers."""

    def __init__(self, respond: Respond) -> None:
        super().__init__(lambda request, number: respond(request, number) or ())

    async def _request(self, reader: asyncio.StreamReader) -> bytes:
        return await reader.readexactly(8)


def line_of(bus: SerialBus, *points: ModbusPoint, timeout: float = 0.2, **settings: Any) -> ModbusEndpoint:
    """An endpoint on the bus. No parity: a pseudo-terminal has none to set."""
    serial = SerialLine(bus.device, baud=115200, parity="none", stop_bits=1)
    return ModbusEndpoint("line", "", 0, points, timeout=timeout, framing="rtu", serial=serial, **settings)


def gateway_of(port: int, *points: ModbusPoint, timeout: float = 0.2, **settings: Any) -> ModbusEndpoint:
    return ModbusEndpoint("line", "127.0.0.1", port, points, timeout=timeout, framing="rtu", **settings)


@contextlib.asynccontextmanager
async def pair() -> AsyncIterator[tuple[str, str]]:
    """Two pseudo-terminals joined by a bridge: the device files of both ends."""
    loop = asyncio.get_running_loop()
    (left, left_end), (right, right_end) = os.openpty(), os.openpty()
    names = os.ttyname(left_end), os.ttyname(right_end)
    for end in (left_end, right_end):
        tty.setraw(end, termios.TCSANOW)

    def carry(source: int, target: int) -> None:
        with contextlib.suppress(OSError):
            os.write(target, os.read(source, 4096))

    loop.add_reader(left, carry, left, right)
    loop.add_reader(right, carry, right, left)
    try:
        yield names
    finally:
        for end in (left, right):
            loop.remove_reader(end)
        for end in (left, right, left_end, right_end):
            os.close(end)
