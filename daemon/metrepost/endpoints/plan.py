"""Endpoints and their points, resolved from the line file: what the protocol rooms need and no more."""

import math
from typing import Literal

import msgspec

Table = Literal["coil", "discrete", "input", "holding"]
Number = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bool"]
Order = Literal["big", "little"]
Framing = Literal["tcp", "rtu"]
Parity = Literal["even", "odd", "none"]


class ModbusPoint(msgspec.Struct, frozen=True):
    """One tag behind a Modbus register. `register` is zero-based. `poll` in seconds. value = raw * scale + offset.

    `clears_on_read`: never read by probe or scan while a daemon runs, never inside a gap, never retried.
    `unit_id` is the device on a line that several share; None is the endpoint's own.
    """

    tag: str
    table: Table
    register: int
    type: Number = "uint16"
    word_order: Order = "big"
    byte_order: Order = "big"
    bit: int | None = None
    scale: float = 1.0
    offset: float = 0.0
    poll: float = 1.0
    latency: float = 0.0
    clears_on_read: bool = False
    valid_low: float = -math.inf
    valid_high: float = math.inf
    unit_id: int | None = None


class SerialLine(msgspec.Struct, frozen=True):
    """A serial line: the device file of its adapter, and the words of MODBUS over Serial Line V1.02, 2.5.1. `baud` in bit/s."""

    device: str
    baud: int = 19200
    parity: Parity = "even"
    stop_bits: Literal[1, 2] = 1

    @property
    def character(self) -> float:
        """Seconds that one character takes: a start bit, eight data bits, parity, stop bits."""
        return (9 + (self.parity != "none") + self.stop_bits) / self.baud

    @property
    def silence(self) -> float:
        """Seconds of silence between two frames: 3.5 characters, and 1.75 ms above 19 200 bit/s (V1.02, 2.5.1.1)."""
        return 0.00175 if self.baud > 19200 else 3.5 * self.character


class ModbusEndpoint(msgspec.Struct, frozen=True):
    """One Modbus connection: a TCP device or gateway, or a serial line. Devices that share it differ by unit id.

    `timeout` in seconds; `max_gap` is how many unwanted registers one request may span. With `serial`, `host` and `port` mean
    nothing and the framing is RTU. `address_base` is what the engineer's list counts registers from; points count from 0.
    """

    name: str
    host: str
    port: int
    points: tuple[ModbusPoint, ...]
    unit_id: int = 1
    timeout: float = 0.5
    max_gap: int = 8
    max_registers: int = 125
    framing: Framing = "tcp"
    serial: SerialLine | None = None
    address_base: int = 0

    def unit_of(self, point: ModbusPoint) -> int:
        """The unit id of a point."""
        return self.unit_id if point.unit_id is None else point.unit_id

    @property
    def where(self) -> str:
        """The device file, or host and port, as messages name it."""
        return self.serial.device if self.serial else f"{self.host}:{self.port}"


class OpcUaPoint(msgspec.Struct, frozen=True):
    """One tag behind an OPC UA node. `node` is an OPC 10000-6 node id string, ``nsu=uri;s=…`` preferred; or "" with a `path`."""

    tag: str
    node: str
    path: str = ""
    scale: float = 1.0
    offset: float = 0.0
    latency: float = 0.0
    poll: float = 1.0
    valid_low: float = -math.inf
    valid_high: float = math.inf


class OpcUaSecurity(msgspec.Struct, frozen=True):
    """Security of an OPC UA endpoint; secrets already resolved (never logged: repr leaves them out)."""

    policy: str = "None"
    mode: str = "None"
    user: str = ""
    password: str = ""
    certificate: str = ""
    key: str = ""
    trust: str = ""

    def __repr__(self) -> str:
        return f"OpcUaSecurity(policy={self.policy!r}, mode={self.mode!r}, user={self.user!r})"


class OpcUaEndpoint(msgspec.Struct, frozen=True):
    """An OPC UA server. `publish` and `sampling` in seconds."""

    name: str
    address: str
    points: tuple[OpcUaPoint, ...]
    mode: Literal["subscribe", "poll"] = "subscribe"
    publish: float = 0.1
    sampling: float = 0.05
    timeout: float = 4.0
    security: OpcUaSecurity = OpcUaSecurity()


class MqttPoint(msgspec.Struct, frozen=True):
    """One tag in the messages of one topic. Pointers are JSON Pointers (RFC 6901); "" is the whole payload.

    `quality_good` is the text of the quality that means good, where it is none of the words that are understood.
    """

    tag: str
    topic: str
    pointer: str = ""
    quality_pointer: str | None = None
    quality_good: str | None = None
    time_pointer: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    latency: float = 0.0
    valid_low: float = -math.inf
    valid_high: float = math.inf


class MqttEndpoint(msgspec.Struct, frozen=True):
    """A broker that devices publish to; secrets already resolved (never logged: repr leaves them out).

    `publish` is the expected time between two messages, `timeout` the longest wait for the broker (and for a message, when tags
    are probed), `time_uncertainty` how well the devices' clocks are known; all in seconds.
    """

    name: str
    host: str
    port: int
    points: tuple[MqttPoint, ...]
    tls: bool = False
    version: Literal["5", "3.1.1"] = "5"
    qos: Literal[0, 1] = 1
    client_id: str = ""
    user: str = ""
    password: str = ""
    ca: str = ""
    certificate: str = ""
    key: str = ""
    keepalive: float = 30.0
    timeout: float = 10.0
    publish: float = 1.0
    time_uncertainty: float = 0.1

    def __repr__(self) -> str:
        return f"MqttEndpoint({self.name!r}, {self.host!r}, {self.port}, tls={self.tls}, user={self.user!r})"


Endpoint = ModbusEndpoint | OpcUaEndpoint | MqttEndpoint
