"""Endpoints and their points, resolved from the line file: what the protocol rooms need and no more."""

import math
from typing import Literal

import msgspec

Table = Literal["coil", "discrete", "input", "holding"]
Number = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bool"]
Order = Literal["big", "little"]


class ModbusPoint(msgspec.Struct, frozen=True):
    """One tag behind a Modbus register. `register` is zero-based. `poll` in seconds. value = raw * scale + offset.

    `clears_on_read`: never read by probe or scan while a daemon runs, never inside a gap, never retried.
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


class ModbusEndpoint(msgspec.Struct, frozen=True):
    """A Modbus TCP device. `timeout` in seconds; `max_gap` is how many unwanted registers one request may span."""

    name: str
    host: str
    port: int
    points: tuple[ModbusPoint, ...]
    unit_id: int = 1
    timeout: float = 0.5
    max_gap: int = 8
    max_registers: int = 125


class OpcUaPoint(msgspec.Struct, frozen=True):
    """One tag behind an OPC UA node. `node` is an OPC 10000-6 node id string, ``nsu=uri;s=…`` preferred."""

    tag: str
    node: str
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


Endpoint = ModbusEndpoint | OpcUaEndpoint
