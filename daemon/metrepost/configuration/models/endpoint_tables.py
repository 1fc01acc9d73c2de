"""Endpoints: the devices that are read, one table each."""

from typing import Annotated, Literal

from pydantic import Field

from ..secrets import Name, Secret
from ..table import Filled, NotNegativeDuration, PositiveDuration, Table

LATER = {"modbus-rtu": "Modbus RTU", "mqtt": "MQTT as an input"}
"""Protocols that the design names and that are not there yet."""
PROTOCOLS = ("modbus-tcp", "opcua")


class ModbusTcpTable(Table):
    """A Modbus TCP device; function codes 1 to 4 only."""

    protocol: Literal["modbus-tcp"]
    address: Filled = Field(examples=["192.0.2.10:502"])
    unit_id: int = Field(default=1, ge=0, le=255)
    poll: PositiveDuration = 1.0
    timeout: PositiveDuration = 0.5
    max_gap: int = Field(default=8, ge=0, le=124)
    max_registers: int = Field(default=125, ge=4, le=125)  # 125: Modbus Application Protocol V1.1b3, 6.3; 4: the widest number
    address_base: Literal[0, 1] = 0


class SecurityTable(Table):
    """Security of an OPC UA connection. `certificate`, `key` (client) and `trust` (server certificate) are paths of files."""

    policy: Literal["None", "Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"] = "None"
    mode: Literal["None", "Sign", "SignAndEncrypt"] = "None"
    user: Name | None = None
    password: Secret | None = None
    certificate: Filled | None = None
    key: Filled | None = None
    trust: Filled | None = None


class OpcUaTable(Table):
    """An OPC UA server; browse, read and subscribe only."""

    protocol: Literal["opcua"]
    address: Filled = Field(examples=["opc.tcp://192.0.2.20:4840"])
    mode: Literal["subscribe", "poll"] = "subscribe"
    publish: PositiveDuration = 0.1
    sampling: NotNegativeDuration = 0.05  # 0: as fast as the server can (OPC 10000-4, MonitoredItem)
    poll: PositiveDuration = 1.0
    timeout: PositiveDuration = 4.0
    security: SecurityTable = SecurityTable()


EndpointTable = Annotated[ModbusTcpTable | OpcUaTable, Field(discriminator="protocol")]
"""One endpoint, by its protocol."""
