"""The PLC behind a real OPC UA server (asyncua), at the nodes of the line file; source timestamps are line time."""

import asyncio
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
from asyncua import Server, ua

from .line_file import Node
from .modbus_face import Served
from .opcua_space import place
from .wire_faults import Dice

SCAN = 0.1
"""Seconds (of the wall) between two scans of the PLC."""
_TYPES = {
    "take-up.cut": ua.VariantType.UInt32,
    "take-up.reel": ua.VariantType.UInt32,
    "plc.recipe": ua.VariantType.Int32,
    "plc.threading": ua.VariantType.Boolean,
    "plc.emergency_stop": ua.VariantType.Boolean,
}
_UNITS = {"degC": (4408652, "°C"), "bar": (4342098, "bar"), "rpm": (5394509, "r/min"), "m": (5067858, "m")}
"""UNECE unit ids and symbols (OPC 10000-8, 5.6.4)."""
_UNIT_NAMESPACE = "http://www.opcfoundation.org/UA/units/un/cefact"


class OpcUaFace:
    """One endpoint. `now` gives scenario time, `line_time` seconds since 1970, both at the same pace."""

    def __init__(
        self,
        nodes: Sequence[Node],
        devices: Served,
        now: Callable[[], float],
        line_time: Callable[[], float],
        path: str,
        *,
        dice: Dice | None = None,
    ) -> None:
        self.port = 0
        self._nodes = list(nodes)
        self._devices = devices
        self._now = now
        self._line_time = line_time
        self._path = path
        self._dice = dice
        self._server: Any = None
        self._ids: dict[str, Any] = {}
        self._last: dict[str, float] = {}

    async def start(self, host: str, port: int) -> None:
        """Listen on `port` with every node in place and set. Takes about a second: the library loads the standard nodes."""
        if self._server is not None:
            return
        server = Server()
        await server.init()
        server.set_endpoint(f"opc.tcp://{host}:{port}/{self._path}")
        server.set_server_name("simulated line PLC")
        server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        folders: dict[tuple[int, str], Any] = {}
        for node in self._nodes:
            kind = self._type(node)
            first = ua.Variant(False if kind is ua.VariantType.Boolean else 0, kind)
            made = await place(server, node, first, folders)
            space = made.nodeid.NamespaceIndex
            if node.unit in _UNITS:
                unit_id, symbol = _UNITS[node.unit]
                text = ua.LocalizedText(symbol)
                info = ua.EUInformation(NamespaceUri=_UNIT_NAMESPACE, UnitId=unit_id, DisplayName=text, Description=text)
                await made.add_property(ua.NodeId(NamespaceIndex=space), ua.QualifiedName("EngineeringUnits", 0), info)
            self._ids[node.tag] = made.nodeid
        self._server = server
        self._last = {}
        await self.scan()
        await server.start()
        self.port = port

    async def stop(self) -> None:
        """Close the server and every session."""
        server, self._server = self._server, None
        if server is not None:
            await server.stop()

    @staticmethod
    def _type(node: Node) -> Any:
        if node.kind:
            return ua.VariantType[node.kind]
        return _TYPES.get(node.tag, ua.VariantType.Double)

    async def scan(self) -> None:
        """Write what has changed."""
        if self._server is None:
            return
        line_time = self._line_time()
        stamp = datetime.fromtimestamp(line_time, UTC)
        values = self._devices.read([n.tag for n in self._nodes], np.array([self._now()]))
        for node in self._nodes:
            value = float(values[node.tag][0])
            if self._devices.silent([node.tag], self._now()):
                continue
            if self._dice is not None and self._dice.bad():
                self._last.pop(node.tag, None)  # the next scan writes the value again
                status = ua.StatusCode(ua.UInt32(ua.StatusCodes.BadDeviceFailure))
                data = ua.DataValue(None, status, SourceTimestamp=stamp, ServerTimestamp=stamp)
                await self._server.write_attribute_value(self._ids[node.tag], data)
                continue
            if self._last.get(node.tag) == value:
                continue
            self._last[node.tag] = value
            kind = self._type(node)
            value = (value - node.offset) / node.scale
            typed = bool(value) if kind is ua.VariantType.Boolean else value if kind is ua.VariantType.Double else int(value)
            data = ua.DataValue(ua.Variant(typed, kind), SourceTimestamp=stamp, ServerTimestamp=stamp)
            await self._server.write_attribute_value(self._ids[node.tag], data)

    def _break(self) -> None:
        if self._dice is None or self._server is None:
            return
        now = asyncio.get_running_loop().time()
        self._dice.freeze(self._devices.frozen, {n.tag.partition(".")[0] for n in self._nodes}, now)
        fault, _ = self._dice.draw(now)
        if fault == "close":
            for client in list(self._server.bserver.clients):
                if client.transport is not None:
                    client.transport.close()

    async def run(self) -> None:
        """Scan for ever."""
        while True:
            self._break()
            await self.scan()
            await asyncio.sleep(SCAN)
