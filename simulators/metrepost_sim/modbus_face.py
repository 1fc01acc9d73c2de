"""Devices behind a real Modbus TCP server (pymodbus), at the registers of the line file. Reading only: writes are refused."""

import asyncio
import functools
import struct
from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from .frame_faults import broken
from .line_file import Register
from .motion import Floats
from .registers import Flags
from .wire_faults import Dice

_FORMAT = {
    "bool": ">H",
    "int16": ">h",
    "uint16": ">H",
    "int32": ">i",
    "uint32": ">I",
    "int64": ">q",
    "uint64": ">Q",
    "float32": ">f",
    "float64": ">d",
}
_TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
_UNUSED = 65_520
"""Where a table that has no registers keeps the one that the library insists on."""


class Served(Protocol):
    """What a face needs of the devices behind it."""

    frozen: set[str]

    def read(self, tags: Sequence[str], t: Floats, answered: Flags | None = None) -> dict[str, Floats]:
        """Values of `tags`, all read at the device times `t` (s); see `registers.Devices`."""

    def silent(self, tags: Sequence[str], t: float) -> bool:
        """Whether the device does not answer when it is asked for these tags at `t`."""

    def restart(self, station: str, t: float) -> None:
        """A device was off and starts again at `t`."""


def words(register: Register, value: float) -> list[int]:
    """A value as the register's 16-bit words, in its word and byte order. Integers are wrapped into their range as a counter would."""
    layout = _FORMAT[register.type]
    raw = (value - register.offset) / register.scale
    if register.type == "bool":
        raw = float(value != 0)
    if register.type.startswith("float"):
        data = struct.pack(layout, raw)
    else:
        size = struct.calcsize(layout)
        data = (round(raw) & ((1 << 8 * size) - 1)).to_bytes(size, "big")
    made = [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]
    if register.word_order == "little":
        made.reverse()
    return [_swapped(word) for word in made] if register.byte_order == "little" else made


def _swapped(word: int) -> int:
    return (word & 0xFF) << 8 | word >> 8


class ModbusFace:
    """One endpoint. `now` gives scenario time in seconds; requests made before time 0 see time 0.

    `requests` counts what was asked, `refused` the requests that were not one of the four reads. Registers of several unit ids
    stand on one address. `dice` breaks answers; `rtu` frames them as Modbus RTU, with a CRC; `patience` (s) is how long
    whoever asks waits for an answer.
    """

    def __init__(
        self,
        registers: Sequence[Register],
        devices: Served,
        now: Callable[[], float],
        host: str,
        *,
        dice: Dice | None = None,
        rtu: bool = False,
        patience: float = float("inf"),
    ) -> None:
        self.requests = 0
        self.refused = 0
        self.port = 0
        self._registers = sorted(registers, key=lambda r: r.register)
        self._devices = devices
        self._now = now
        self._host = host
        self._dice = dice
        self._rtu = rtu
        self._patience = patience
        self._break = ""
        self._latest = 0.0
        self._server: ModbusTcpServer | None = None
        self._answering = asyncio.Event()
        self._answering.set()

    async def start(self, port: int) -> None:
        """Listen on `port` (0: any free one). Raises RuntimeError when it cannot."""
        if self._server is not None:
            return
        units = sorted({r.unit_id for r in self._registers}) or [1]
        server = ModbusTcpServer(
            [self._device(unit) for unit in units],
            address=(self._host, port),
            trace_pdu=self._trace,
            trace_packet=self._packet,
            framer=FramerType.RTU if self._rtu else FramerType.SOCKET,
        )
        await server.serve_forever(background=True)
        assert server.transport is not None
        self.port = server.transport.sockets[0].getsockname()[1]  # type: ignore[attr-defined]  # it is a listening server
        self._server = server

    async def stop(self) -> None:
        """Close the listener and every connection."""
        server, self._server = self._server, None
        if server is not None:
            await server.shutdown()  # type: ignore[no-untyped-call]

    def hang(self) -> None:
        """Take requests and answer none, as a device does whose firmware has stopped."""
        self._answering.clear()

    def resume(self) -> None:
        """Answer again, waiting requests first."""
        self._answering.set()

    def restart_devices(self) -> None:
        """The devices were without power: what their registers held is gone."""
        for station in {r.tag.partition(".")[0] for r in self._registers}:
            self._devices.restart(station, max(self._now(), self._latest))

    def _trace(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        if not sending:
            self.requests += 1
            self.refused += pdu.function_code not in _TABLES
        return pdu

    def _packet(self, sending: bool, data: bytes) -> bytes:
        if not sending or not self._break:
            return data
        fault, self._break = self._break, ""
        return broken(fault, data, rtu=self._rtu)

    def _device(self, unit: int) -> SimDevice:
        coils, discrete, holding, inputs = (self._block(table, unit) for table in _TABLES.values())
        return SimDevice(id=unit, simdata=(coils, discrete, holding, inputs), action=functools.partial(self._answer, unit))

    def _block(self, table: str, unit: int) -> list[SimData]:
        own = [r for r in self._registers if r.table == table and r.unit_id == unit]
        if table in ("coil", "discrete"):
            # the library keeps bits by sixteens
            places = sorted({r.register // 16 for r in own}) or [_UNUSED // 16]
            return [SimData(16 * place, values=[False] * 16, datatype=DataType.BITS) for place in places]
        # several tags may be bits of one register
        spots = sorted({n for r in own for n in range(r.register, r.register + r.words)})
        return [SimData(n, count=1, values=0, datatype=DataType.REGISTERS) for n in spots] or [
            SimData(_UNUSED, datatype=DataType.INVALID)
        ]

    def _drop_connections(self) -> None:
        if self._server is not None:
            for connection in list(self._server.active_connections.values()):
                connection.close()

    async def _answer(
        self,
        unit: int,
        function: int,
        start: int,
        address: int,
        count: int,
        current: list[int],
        wanted: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Fill in the registers asked for; called by the server ahead of every answer."""
        table = _TABLES.get(function)
        if table is None or wanted:
            return ExcCodes.ILLEGAL_FUNCTION
        await self._answering.wait()
        fault, slept = "", 0.0
        if self._dice is not None:
            now = asyncio.get_running_loop().time()
            stations = {r.tag.partition(".")[0] for r in self._registers}
            self._dice.freeze(self._devices.frozen, stations, now)
            fault, slept = self._dice.draw(now)
            if slept:
                await asyncio.sleep(slept)
            if fault == "exception":
                return ExcCodes(self._dice.code)
            if fault == "close":
                asyncio.get_running_loop().call_soon(self._drop_connections)
        bits = table in ("coil", "discrete")
        span = count * 16 if bits else count
        asked = [
            r
            for r in self._registers
            if r.unit_id == unit and r.table == table and r.register < address + span and r.register + r.words > address
        ]
        # two requests within one clock tick must not run backwards
        self._latest = max(self._latest, self._now())
        if not fault and self._devices.silent([r.tag for r in asked], self._latest):
            fault = "drop"
        answered = np.array([not fault and slept < self._patience])
        values = self._devices.read([r.tag for r in asked], np.array([self._latest]), answered)
        for register in asked:
            value = float(values[register.tag][0])
            if bits:
                place, bit = divmod(register.register, 16)
                mask = 1 << bit
                current[place - start] = current[place - start] & ~mask | (mask if value else 0)
            else:
                at = register.register - start
                if register.bit is not None:
                    mask = 1 << register.bit
                    mask = _swapped(mask) if register.byte_order == "little" else mask
                    current[at] = current[at] & ~mask | (mask if value else 0)
                else:
                    current[at : at + register.words] = words(register, value)
        self._break = fault  # nothing runs between here and the packet's way out
        return None
