"""Devices behind a real Modbus TCP server (pymodbus), at the registers of the line file. Reading only: writes are refused."""

import asyncio
import struct
from collections.abc import Callable, Sequence

import numpy as np
from pymodbus.constants import ExcCodes
from pymodbus.pdu import ModbusPDU
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from .line_file import Register
from .registers import Devices

_FORMAT = {
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


def words(register: Register, value: float) -> list[int]:
    """A value as the register's 16-bit words, big-endian. Integers are wrapped into their range as a counter would."""
    layout = _FORMAT[register.type]
    raw = (value - register.offset) / register.scale
    if register.type.startswith("float"):
        data = struct.pack(layout, raw)
    else:
        size = struct.calcsize(layout)
        data = (round(raw) & ((1 << 8 * size) - 1)).to_bytes(size, "big")
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


class ModbusFace:
    """One endpoint. `now` gives scenario time in seconds; requests made before time 0 see time 0.

    `requests` counts what was asked, `refused` the requests that were not one of the four reads.
    """

    def __init__(self, registers: Sequence[Register], devices: Devices, now: Callable[[], float], host: str) -> None:
        self.requests = 0
        self.refused = 0
        self.port = 0
        self._registers = sorted(registers, key=lambda r: r.register)
        self._devices = devices
        self._now = now
        self._host = host
        self._latest = 0.0
        self._server: ModbusTcpServer | None = None
        self._answering = asyncio.Event()
        self._answering.set()

    async def start(self, port: int) -> None:
        """Listen on `port` (0: any free one). Raises RuntimeError when it cannot."""
        if self._server is not None:
            return
        coils, discrete, holding, inputs = (self._block(table) for table in _TABLES.values())
        device = SimDevice(id=1, simdata=(coils, discrete, holding, inputs), action=self._answer)
        server = ModbusTcpServer(device, address=(self._host, port), trace_pdu=self._trace)
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

    def _block(self, table: str) -> list[SimData]:
        bits = table in ("coil", "discrete")
        own = [r for r in self._registers if r.table == table]
        if bits:
            return [SimData(r.register, values=[False], datatype=DataType.BITS) for r in own] or [
                SimData(_UNUSED, values=[False], datatype=DataType.BITS)
            ]
        return [SimData(r.register, count=r.words, values=0, datatype=DataType.REGISTERS) for r in own] or [
            SimData(_UNUSED, datatype=DataType.INVALID)
        ]

    async def _answer(
        self,
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
        bits = table in ("coil", "discrete")
        span = count * 16 if bits else count
        asked = [
            r for r in self._registers if r.table == table and r.register < address + span and r.register + r.words > address
        ]
        # two requests within one clock tick must not run backwards
        self._latest = max(self._latest, self._now())
        values = self._devices.read([r.tag for r in asked], np.array([self._latest]))
        for register in asked:
            value = float(values[register.tag][0])
            if bits:
                place, bit = divmod(register.register, 16)
                mask = 1 << bit
                current[place - start] = current[place - start] & ~mask | (mask if value else 0)
            else:
                at = register.register - start
                current[at : at + register.words] = words(register, value)
        return None
