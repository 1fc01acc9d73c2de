"""The served face: the simulated line behind real Modbus TCP and OPC UA servers on this machine, in real time or scaled.

It listens on the loopback address only, because anybody who reads a peak-hold register resets it.
"""

import asyncio
import socket
import time
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from .line import CoreLine
from .line_file import LineFile, read_line_file
from .modbus_face import ModbusFace, Served
from .opcua_face import OpcUaFace
from .registers import Devices
from .scenario import Scenario
from .scenarios import scenario as named
from .truth import Truth
from .wire_faults import Dice, EndpointFaults

HOST = "127.0.0.1"
PATIENCE = 0.5
"""Longest wait for an answer at the endpoints of the demonstration line, s."""


class SimulatedLine:
    """A line that can be read: ``async with SimulatedLine("demo", seed=3) as line: line.addresses``.

    `ports` maps endpoint names to ports (0 or left out: a free one). `speed` scales the line clock: at 10, ten seconds of
    the line pass in one, and reads stand ten times further apart on the cable. `clock` gives line time (seconds since 1970) and
    must already run at that pace; left out, line time begins at the wall clock's present. `witness` goes into the truth header.
    `only` names the endpoints to serve (all of the line file when left out). `faults` break endpoints (see `wire_faults`).
    """

    devices: Served

    def __init__(
        self,
        scenario: Scenario | str = "demo",
        *,
        seed: int = 1,
        speed: float = 1.0,
        ports: Mapping[str, int] | None = None,
        file: LineFile | None = None,
        clock: Callable[[], float] | None = None,
        witness: str = "peak-hold",
        only: Collection[str] | None = None,
        faults: Mapping[str, EndpointFaults] | None = None,
    ) -> None:
        self.file = file or read_line_file()
        self.scenario = named(scenario, seed) if isinstance(scenario, str) else scenario
        self._build()
        self.speed = speed
        self.start = 0.0
        self._options = {"witness": witness, "face": "servers", "clock_speed": speed}
        self._ports = dict(ports or {})
        self._clock = clock
        self._served = {n: p for n, p in self.file.protocols.items() if only is None or n in only}
        self.dice = {name: Dice(table, seed, name) for name, table in (faults or {}).items()}
        self._faces: dict[str, ModbusFace | OpcUaFace] = {}
        self._tasks: list[asyncio.Task[None]] = []

    def _build(self) -> None:
        """Make the line, the devices and the truth."""
        self.line = CoreLine(self.scenario, self.file)
        self.truth = Truth(self.line, 0.0)
        self.devices = Devices(self.line, self.truth)

    def _face(self, name: str, protocol: str) -> ModbusFace | OpcUaFace:
        """One endpoint, not yet listening."""
        if protocol == "opcua":
            nodes = [n for n in self.file.nodes if n.endpoint == name]
            return OpcUaFace(nodes, self.devices, self.now, self.line_time, self._path(name), dice=self.dice.get(name))
        return self._modbus_face(name)

    def _modbus_face(self, name: str, *, rtu: bool = False, patience: float = PATIENCE) -> ModbusFace:
        registers = [r for r in self.file.registers if r.endpoint == name]
        return ModbusFace(registers, self.devices, self.now, HOST, dice=self.dice.get(name), rtu=rtu, patience=patience)

    def line_time(self) -> float:
        """Line time now, seconds since 1970: the clock of every source timestamp."""
        assert self._clock is not None, "the clock starts when the line is entered"
        return self._clock()

    def now(self) -> float:
        """Scenario time now, s."""
        return max(0.0, self.line_time() - self.start) if self.start else 0.0

    @property
    def addresses(self) -> dict[str, str]:
        """Endpoint name to address, in the form of the line file."""
        found = {}
        for name, face in self._faces.items():
            if isinstance(face, ModbusFace):
                found[name] = f"{HOST}:{face.port}"
            else:
                found[name] = f"opc.tcp://{HOST}:{face.port}/{self._path(name)}"
        return found

    def modbus(self, endpoint: str) -> ModbusFace:
        """A Modbus endpoint: to count requests, or let it hang. Raises TypeError for one of another protocol."""
        face = self._faces[endpoint]
        if not isinstance(face, ModbusFace):
            raise TypeError(f"{endpoint} is not a Modbus endpoint")
        return face

    def _path(self, name: str) -> str:
        return self.file.addresses[name].split("://", 1)[-1].partition("/")[2]

    async def __aenter__(self) -> Self:
        if self._clock is None:
            wall, monotonic = time.time(), time.monotonic()
            self._clock = lambda: wall + (time.monotonic() - monotonic) * self.speed
        for name, protocol in self._served.items():
            self._faces[name] = self._face(name, protocol)
        try:
            # the slow servers first: the line begins to move when everything listens
            for name in sorted(self._faces, key=lambda n: self.file.protocols[n] != "opcua"):
                await self.bring_up(name)
        except BaseException:
            await self._close()
            raise
        self.start = self.line_time()
        self.truth.begin(self.start, self._options)
        for name, face in self._faces.items():
            if isinstance(face, OpcUaFace):
                self._tasks.append(asyncio.create_task(face.run(), name=f"scan {name}"))
        self._tasks.append(asyncio.create_task(self._follow_outages(), name="outages"))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.truth.until = self.now()
        await self._close()

    async def _close(self) -> None:
        for task in self._tasks:
            task.cancel()
        ended = await asyncio.gather(*self._tasks, return_exceptions=True)
        for face in self._faces.values():
            if isinstance(face, ModbusFace):
                face.resume()
            await face.stop()
        self._tasks = []
        for outcome in ended:
            if isinstance(outcome, Exception):
                raise outcome

    async def take_down(self, endpoint: str) -> None:
        """Close a server with all its connections, as if the device had lost power."""
        await self._faces[endpoint].stop()

    async def bring_up(self, endpoint: str) -> None:
        """Open it again, on the same port."""
        face = self._faces[endpoint]
        port = face.port or self._ports.get(endpoint, 0)
        if isinstance(face, ModbusFace):
            if self.start:
                face.restart_devices()
            await face.start(port)
        else:
            await face.start(HOST, port or _free_port())

    def freeze(self, station: str) -> None:
        """Let the registers of a station stand still while everything looks well."""
        self.file.place(station)
        self.devices.frozen.add(station)

    def thaw(self, station: str) -> None:
        """Let them move again."""
        self.devices.frozen.discard(station)

    async def _follow_outages(self) -> None:
        turns = [(o.at, True, o.name) for o in self.scenario.outages if o.what == "down"]
        turns += [(o.until, False, o.name) for o in self.scenario.outages if o.what == "down"]
        for at, down, name in sorted(turns):
            while (left := at - self.now()) > 0:  # noqa: ASYNC110  # line time passes by itself, nobody sets an event
                await asyncio.sleep(min(left / self.speed, 1.0))
            await (self.take_down(name) if down else self.bring_up(name))

    def truth_rows(self) -> list[dict[str, Any]]:
        """The truth up to now."""
        self.truth.until = max(self.truth.until, self.now()) if self._tasks else self.truth.until
        return list(self.truth.rows())

    def write_truth(self, path: Path) -> int:
        """Write truth.jsonl as of now (as of the end once the line is left); the number of rows is returned."""
        self.truth.until = max(self.truth.until, self.now()) if self._tasks else self.truth.until
        return self.truth.write(path)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port
