"""Endpoints: the devices that are read, one table each."""

from typing import Annotated, Literal

from pydantic import Field

from ..secrets import Name, Secret
from ..table import Filled, NotNegativeDuration, PositiveDuration, Table


class ModbusTable(Table):
    """What every Modbus connection has; function codes 1 to 4 only. Tags may name devices of their own by `unit_id`."""

    unit_id: int = Field(default=1, ge=0, le=255)
    poll: PositiveDuration = 1.0
    timeout: PositiveDuration = 0.5
    max_gap: int = Field(default=8, ge=0, le=124)
    max_registers: int = Field(default=125, ge=4, le=125)  # 125: Modbus Application Protocol V1.1b3, 6.3; 4: the widest number
    address_base: Literal[0, 1] = 0


class ModbusTcpTable(ModbusTable):
    """A Modbus TCP device, or a gateway that speaks Modbus TCP."""

    protocol: Literal["modbus-tcp"]
    address: Filled = Field(examples=["192.0.2.10:502"])


class ModbusRtuTcpTable(ModbusTable):
    """A gateway that hands RTU frames, with their CRC, from TCP to a serial line."""

    protocol: Literal["modbus-rtu-tcp"]
    address: Filled = Field(examples=["192.0.2.12:4001"])
    unit_id: int = Field(default=1, ge=1, le=247)  # 0 is broadcast, 248 to 255 are reserved: MODBUS over Serial Line V1.02, 2.2


class ModbusRtuTable(ModbusTable):
    """A serial line with Modbus RTU. The standard's own settings are 19200 bit/s and even parity, with one stop bit."""

    protocol: Literal["modbus-rtu"]
    address: Filled = Field(examples=["/dev/ttyUSB0"])
    unit_id: int = Field(default=1, ge=1, le=247)
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 19200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Literal[1, 2] | None = None  # the standard has two without parity, and one else


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


class MqttInTable(Table):
    """A broker that devices publish to; it is listened to and never published to."""

    protocol: Literal["mqtt"]
    address: Filled = Field(examples=["mqtt://192.0.2.30:1883"])
    version: Literal["5", "3.1.1"] = "5"
    qos: Literal[0, 1] = 1
    client_id: Filled | None = None
    user: Name | None = None
    password: Secret | None = None
    ca: Filled | None = None
    certificate: Filled | None = None
    key: Filled | None = None
    keepalive: PositiveDuration = 30.0
    timeout: PositiveDuration = 10.0
    publish: PositiveDuration = 1.0
    time_uncertainty: NotNegativeDuration = 0.1  # clocks kept by NTP on a plant network: common practice, no source


AnyModbus = ModbusTcpTable | ModbusRtuTcpTable | ModbusRtuTable
AnyEndpoint = AnyModbus | OpcUaTable | MqttInTable

EndpointTable = Annotated[AnyEndpoint, Field(discriminator="protocol")]
"""One endpoint, by its protocol."""

TABLES: dict[str, type[AnyEndpoint]] = {
    "modbus-tcp": ModbusTcpTable,
    "modbus-rtu": ModbusRtuTable,
    "modbus-rtu-tcp": ModbusRtuTcpTable,
    "opcua": OpcUaTable,
    "mqtt": MqttInTable,
}
"""The table of each protocol."""
PROTOCOLS = tuple(TABLES)
