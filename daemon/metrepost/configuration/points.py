"""Endpoints with their points, as the protocol rooms want them."""

import re
from collections.abc import Callable, Iterable

from ..endpoints.modbus_plan import PlanError, plan
from ..endpoints.opcua_security import OpcUaSettingsError, address_of, unsupported
from ..endpoints.plan import (
    Endpoint,
    Framing,
    ModbusEndpoint,
    ModbusPoint,
    Number,
    OpcUaEndpoint,
    OpcUaPoint,
    OpcUaSecurity,
    SerialLine,
)
from ..readings import Tag
from .document import Document
from .models.endpoint_tables import (
    AnyEndpoint,
    AnyModbus,
    ModbusRtuTable,
    ModbusTable,
    ModbusTcpTable,
    MqttInTable,
    OpcUaTable,
    SecurityTable,
)
from .mqtt_points import mqtt_endpoint
from .pieces import Pieces, WrittenTag
from .secrets import SecretStore
from .tags import interval_of, is_bit, own_or_unless_bit

_WIDTH: dict[Number, int] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "float32": 2,
    "int64": 4,
    "uint64": 4,
    "float64": 4,
}
_ADDRESS = re.compile(r"(?P<host>\[[0-9A-Fa-f:.%\w]+\]|[^:/@\s\[\]]+)(?::(?P<port>\d{1,5}))?")
_PATH = re.compile(r"Objects(?:/(?:nsu=[^;]+;|(?!nsu=))(?:&.|[^/&])+)+", re.DOTALL)
_NODE = re.compile(
    r"(?:(?:nsu=[^;]+|ns=\d+);)?(?:i=\d+|s=.+|g=[0-9A-Fa-f-]{36}|b=[A-Za-z0-9+/=]+)", re.DOTALL
)  # OPC 10000-6, 5.3.1.11


def resolve_endpoints(pieces: Pieces, tags: dict[str, Tag], secrets: SecretStore) -> tuple[Endpoint, ...]:
    """Every endpoint with the points of its tags, in the order of the file."""
    found = tuple(_endpoint(pieces, name, table, tags, secrets) for name, table in pieces.endpoints.items())
    _refuse_shared_lines(pieces, found)
    return found


def _endpoint(pieces: Pieces, name: str, table: AnyEndpoint, tags: dict[str, Tag], secrets: SecretStore) -> Endpoint:
    if isinstance(table, ModbusTable):
        return _modbus(pieces, name, table, tags)
    if isinstance(table, MqttInTable):
        written = [(each, number_keys(each)) for each in _tags_at(pieces, name)]
        return mqtt_endpoint(pieces, name, table, tags, secrets, written)
    return _opcua(pieces, name, table, tags, secrets)


def _refuse_shared_lines(pieces: Pieces, endpoints: Iterable[Endpoint]) -> None:
    taken: dict[str, str] = {}
    for endpoint in endpoints:
        if not isinstance(endpoint, ModbusEndpoint) or endpoint.serial is None:
            continue
        other = taken.setdefault(endpoint.serial.device, endpoint.name)
        if other != endpoint.name:
            wrong = f"{other} has this line already, and a line has one master; keep one endpoint and give its tags a unit_id"
            pieces.document.fault(("endpoint", endpoint.name, "address"), wrong)


def _tags_at(pieces: Pieces, name: str) -> list[WrittenTag]:
    return [written for written in pieces.tags.values() if written.table.endpoint == name]


def _host_and_port(pieces: Pieces, path: tuple[str, ...], address: str) -> tuple[str, int]:
    match = _ADDRESS.fullmatch(address)
    if match is None or not 0 < int(match["port"] or 502) <= 65535:
        pieces.document.fault((*path, "address"), f'"{address}" is no address; write HOST:PORT, such as 192.0.2.10:502')
    return (match["host"].strip("[]"), int(match["port"] or 502)) if match else ("", 0)


def _serial_line(pieces: Pieces, path: tuple[str, ...], table: ModbusRtuTable) -> SerialLine:
    if not table.address.startswith("/"):
        wrong = f'"{table.address}" is no serial device; write the path of its device file, such as /dev/ttyUSB0'
        pieces.document.fault((*path, "address"), wrong)
    return SerialLine(table.address, table.baud, table.parity, table.stop_bits or (2 if table.parity == "none" else 1))


def _modbus(pieces: Pieces, name: str, table: AnyModbus, tags: dict[str, Tag]) -> ModbusEndpoint:
    document, path = pieces.document, ("endpoint", name)
    serial: SerialLine | None = None
    host, port = "", 0
    if isinstance(table, ModbusRtuTable):
        serial = _serial_line(pieces, path, table)
    else:
        host, port = _host_and_port(pieces, path, table.address)
    framing: Framing = "tcp" if isinstance(table, ModbusTcpTable) else "rtu"
    before = len(document.faults)
    found = [(written, _modbus_point(pieces, written, table, tags)) for written in _tags_at(pieces, name)]
    points = [(written, point) for written, point in found if point is not None]
    endpoint = ModbusEndpoint(
        name=name,
        host=host,
        port=port,
        points=tuple(point for _, point in points),
        unit_id=table.unit_id,
        timeout=table.timeout,
        max_gap=table.max_gap,
        max_registers=table.max_registers,
        framing=framing,
        serial=serial,
        address_base=table.address_base,
    )
    _refuse_shared(points, endpoint.unit_of)
    if len(document.faults) == before:  # else the plan's complaint would only follow from what was said already
        try:
            plan(endpoint)
        except PlanError as error:
            document.fault(path, str(error))
    return endpoint


def _modbus_point(pieces: Pieces, written: WrittenTag, endpoint: AnyModbus, tags: dict[str, Tag]) -> ModbusPoint | None:
    table = written.table
    number = _number(written)
    missing = [key for key, value in (("table", table.table), ("register", table.register_)) if value is None]
    for key in missing:
        allowed = ["coil", "discrete", "input", "holding"] if key == "table" else []
        written.fault((), f"the key {key} is missing: it says where in the device the value stands", allowed)
    if table.table is None or table.register_ is None or number is None:
        return None
    register = table.register_ - endpoint.address_base
    width = 1 if number == "bool" else _WIDTH[number]
    if register < 0:
        written.fault(("register",), "register 0 does not exist where the endpoint's list counts from 1 (address_base = 1)")
        return None
    if register + width > 65536:
        last = 65536 - width + endpoint.address_base
        written.fault(
            ("register",),
            f"{number} at {table.register_} ends beyond the last register; {last} is the last for this type",
        )
        return None
    if table.unit_id is not None and not isinstance(endpoint, ModbusTcpTable) and not 1 <= table.unit_id <= 247:
        written.fault(
            ("unit_id",),
            f"{table.unit_id} is no device on a serial line; 0 is broadcast, 248 to 255 are reserved",
            ["1 to 247"],
        )
    tag = tags[written.name]
    return ModbusPoint(
        tag=written.name,
        table=table.table,
        register=register,
        type=number,
        word_order=table.word_order or "big",
        byte_order=table.byte_order or "big",
        bit=table.bit,
        scale=_scale(written),
        offset=_offset(written),
        poll=interval_of(table, endpoint),
        latency=pieces.stations[written.station].latency,
        clears_on_read=bool(table.clears_on_read) or tag.since_read,
        valid_low=tag.valid_low,
        valid_high=tag.valid_high,
        unit_id=table.unit_id,
    )


def _number(written: WrittenTag) -> Number | None:
    """The type in the device; None, with a fault reported, when type, table and bit contradict each other."""
    table = written.table
    if table.table in ("coil", "discrete"):
        if table.bit is not None:
            written.fault(("bit",), f"a {table.table} is one bit already; leave bit out")
            return None
        if table.type not in (None, "bool") and ("type" in written.own or "table" in written.inherited):
            written.fault(
                ("type",), f"a {table.table} is one bit; {table.type} stands in the tables input and holding", ["bool"]
            )
            return None
        return "bool"
    number = table.type or "uint16"
    if table.bit is not None and number not in ("int16", "uint16"):
        written.fault(
            ("bit",),
            f"a bit is picked from one register, and {number} is more; write type",
            ["int16", "uint16"],
        )
        return None
    if number == "bool":
        written.fault(("type",), "a register is no bool; write bit = 0 to 15, or the table coil or discrete", tuple(_WIDTH))
        return None
    return number


def number_keys(written: WrittenTag) -> tuple[float, float]:
    """Scale and offset of a tag."""
    return _scale(written), _offset(written)


def _scale(written: WrittenTag) -> float:
    scale = own_or_unless_bit(written, "scale")
    if scale is None:
        return 1.0
    assert isinstance(scale, float | int)
    if scale == 0:
        written.fault(("scale",), "a scale of 0 makes every value 0")
    if is_bit(written.table):
        written.fault(("scale",), "a bit is 0 or 1 and has no scale")
    return float(scale)


def _offset(written: WrittenTag) -> float:
    offset = own_or_unless_bit(written, "offset")
    if offset is None:
        return 0.0
    assert isinstance(offset, float | int)
    if is_bit(written.table):
        written.fault(("offset",), "a bit is 0 or 1 and has no offset")
    return float(offset)


def _refuse_shared(points: list[tuple[WrittenTag, ModbusPoint]], unit_of: Callable[[ModbusPoint], int]) -> None:
    """Two tags on one register of one device are a slip of the list, unless they are different bits of it."""
    taken: dict[tuple[int | None, str, int, int | None], str] = {}
    whole: dict[tuple[int | None, str, int], str] = {}
    for written, point in points:
        unit = unit_of(point)
        width = 1 if point.type == "bool" else _WIDTH[point.type]
        span = range(point.register, point.register + width)
        other = next((whole[unit, point.table, register] for register in span if (unit, point.table, register) in whole), None)
        if other is None and point.bit is not None:
            other = taken.get((unit, point.table, point.register, point.bit))
        elif other is None:
            other = next(
                (
                    name
                    for (device, table, register, _), name in taken.items()
                    if (device, table) == (unit, point.table) and register in span
                ),
                None,
            )
        if other is not None:
            written.fault(
                ("register",), f"{other} stands on the same register already; two tags share one only as different bits"
            )
        if point.bit is None:
            whole.update({(unit, point.table, register): written.name for register in span})
        taken.setdefault((unit, point.table, point.register, point.bit), written.name)


def wrong_path(path: str) -> str:
    """What is wrong with a browse path as written, "" when nothing is. No asyncua here: `opcua_paths` takes it apart the same way."""
    steps = _PATH.fullmatch(path)
    if steps:
        return ""
    return f'"{path}" is no path; write Objects/NAME/NAME, with nsu=URI; before a name where two namespaces have it'


def _opcua(pieces: Pieces, name: str, table: OpcUaTable, tags: dict[str, Tag], secrets: SecretStore) -> OpcUaEndpoint:
    document, path = pieces.document, ("endpoint", name)
    points: list[OpcUaPoint] = []
    nodes: dict[str, str] = {}
    for written in _tags_at(pieces, name):
        node, browse = written.table.node, written.table.path
        if browse is not None:
            wrong = wrong_path(browse) if node is None else "node and path name the same thing; keep one of them"
            if wrong:
                written.fault(("path",), wrong)
                continue
            node = ""
        if node is None:
            written.fault((), 'the key node is missing, such as node = "nsu=urn:northmere:core-3;s=Trough.Temperature"')
            continue
        if browse is None and not _NODE.fullmatch(node):
            written.fault(("node",), f'"{node}" is no node id; write nsu=URI;s=NAME, or i=NUMBER in place of s=NAME')
            continue
        if (node or browse) in nodes:
            written.fault(("path" if browse else "node",), f"{nodes[node or browse or '']} reads the same node already")
        nodes.setdefault(node or browse or "", written.name)
        tag = tags[written.name]
        points.append(
            OpcUaPoint(
                tag=written.name,
                node=node,
                path=browse or "",
                scale=_scale(written),
                offset=_offset(written),
                latency=pieces.stations[written.station].latency,
                poll=interval_of(written.table, table),
                valid_low=tag.valid_low,
                valid_high=tag.valid_high,
            )
        )
    endpoint = OpcUaEndpoint(
        name=name,
        address=table.address,
        points=tuple(points),
        mode=table.mode,
        publish=table.publish,
        sampling=table.sampling,
        timeout=table.timeout,
        security=_security(document, (*path, "security"), table.security, secrets),
    )
    try:
        address_of(endpoint)
    except OpcUaSettingsError as error:
        document.fault((*path, "address"), str(error).partition(": ")[2])
    if table.mode == "subscribe" and table.sampling > table.publish:
        document.fault(
            (*path, "sampling"),
            f"sampling ({table.sampling:g} s) is slower than publish ({table.publish:g} s)",
        )
    return endpoint


def _security(document: Document, path: tuple[str, ...], table: SecurityTable, secrets: SecretStore) -> OpcUaSecurity:
    before = len(document.faults)
    security = OpcUaSecurity(
        policy=table.policy,
        mode=table.mode,
        user=secrets.resolve(table.user, document, (*path, "user")),
        password=secrets.resolve(table.password, document, (*path, "password")),
        certificate=secrets.path(table.certificate, document, (*path, "certificate")),
        key=secrets.path(table.key, document, (*path, "key"), secret=True),
        trust=secrets.path(table.trust, document, (*path, "trust"), folder=True),
    )
    wrong = unsupported(security) if len(document.faults) == before else None
    if wrong is not None:
        document.fault(path, wrong)
    return security
