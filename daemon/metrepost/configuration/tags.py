"""Tags as written, with their station's defaults, become tags of the core."""

import math

from ..readings import Hold, Tag
from ..readings.units import Quantity, same_dimension, ucum
from .faults import Place
from .lookup import shown_unit
from .models.endpoint_tables import AnyEndpoint, ModbusTable, MqttInTable, OpcUaTable
from .models.station_tables import MODBUS_KEYS, MQTT_KEYS, OPCUA_KEYS, ComputedTable, TagTable
from .pieces import Pieces, WrittenTag

EndpointOf = AnyEndpoint | None


def resolve_tags(pieces: Pieces) -> dict[str, Tag]:
    """Every tag that stands at an endpoint, by full name. Computed tags come later: they need these."""
    tags: dict[str, Tag] = {}
    for written in pieces.tags.values():
        endpoint = _endpoint_of(pieces, written)
        if endpoint is not None:
            _refuse_misfits(written, endpoint)
        tags[written.name] = _tag(written, endpoint)
    _refuse_unused(pieces)
    return tags


def is_bit(table: TagTable) -> bool:
    """Whether the tag is one bit, of a register or a table of bits."""
    return table.table in ("coil", "discrete") or (table.bit is not None and table.type in (None, "int16", "uint16"))


def own_or_unless_bit(written: WrittenTag, key: str) -> object:
    """A key of the tag; of defaults only when the tag is no bit: scale, unit and range of a gauge say nothing of its bits."""
    if is_bit(written.table) and key in written.inherited:
        return None
    value: object = getattr(written.table, key)
    return value


def _endpoint_of(pieces: Pieces, written: WrittenTag) -> EndpointOf:
    name = written.table.endpoint
    if name is None:
        written.fault((), "the tag names no endpoint; write endpoint in it or in the station's defaults", pieces.endpoint_names)
    elif name not in pieces.endpoint_names:
        written.fault(("endpoint",), f'there is no endpoint "{name}"', pieces.endpoint_names, name)
    else:
        return pieces.endpoints.get(name)
    return None


def _refuse_misfits(written: WrittenTag, endpoint: AnyEndpoint) -> None:
    """Refuse keys of another protocol, unless they are defaults that an own endpoint makes void."""
    own = MODBUS_KEYS if isinstance(endpoint, ModbusTable) else OPCUA_KEYS if isinstance(endpoint, OpcUaTable) else MQTT_KEYS
    foreign = [key for key in (*MODBUS_KEYS, *OPCUA_KEYS, *MQTT_KEYS) if key not in own]
    if not polls(endpoint):
        foreign.append("poll")
    for key in foreign:
        field = "register_" if key == "register" else key
        if field in written.own or (field in written.inherited and "endpoint" in written.inherited):
            reason = (
                "values come by themselves at this endpoint, and it does not poll"
                if key == "poll"
                else f"a tag at {endpoint.protocol} has no such key"
            )
            written.fault((key,), reason)


def _tag(written: WrittenTag, endpoint: EndpointOf) -> Tag:
    table = written.table
    unit = own_or_unless_bit(written, "unit") or ""
    assert isinstance(unit, str)
    valid = own_or_unless_bit(written, "valid")
    hold, since_read, window = _hold(written, endpoint)
    low, high = valid_range(valid, unit, written)
    return Tag(
        name=written.name,
        station=written.station,
        unit=unit,
        ucum=ucum(unit),
        hold=hold,
        since_read=since_read,
        window=window,
        interval=interval_of(table, endpoint),
        valid_low=low,
        valid_high=high,
        on_change=on_change(own_or_unless_bit(written, "on_change"), unit, written),
        at_least_every=table.at_least_every or math.inf,
        uncertainty=uncertainty(own_or_unless_bit(written, "uncertainty"), unit, written),
    )


def interval_of(table: TagTable, endpoint: EndpointOf) -> float:
    """Expected seconds between two readings: the poll or publish interval."""
    if isinstance(endpoint, MqttInTable) or (isinstance(endpoint, OpcUaTable) and endpoint.mode == "subscribe"):
        return endpoint.publish
    return table.poll or (endpoint.poll if endpoint else 1.0)


def polls(endpoint: AnyEndpoint) -> bool:
    """Whether values are asked for, and do not come by themselves."""
    return not isinstance(endpoint, MqttInTable) and not (isinstance(endpoint, OpcUaTable) and endpoint.mode == "subscribe")


def _hold(written: WrittenTag, endpoint: EndpointOf) -> tuple[Hold, bool, float]:
    table = written.table
    hold = Hold(table.holds or "instant")
    since_read = table.window == "since-read"
    if hold is Hold.INSTANT:
        if table.window is not None:
            written.fault(
                ("window",),
                "an instant value has no window; leave it out, or write what the register holds",
                ["mean", "max", "min"],
            )
        return hold, False, 0.0
    if table.window is None:
        written.fault(("holds",), f'holds = "{hold.value}" needs a window: "since-read", or a time such as "50 ms"')
        return hold, False, 0.0
    if since_read and isinstance(endpoint, OpcUaTable | MqttInTable):
        what = "reading an OPC UA value does not clear it" if isinstance(endpoint, OpcUaTable) else "nothing is read there"
        written.fault(("window",), f"{what}; write a time, such as 50 ms")
    if since_read and table.clears_on_read is False:
        written.fault(
            ("clears_on_read",), 'a register with window = "since-read" is cleared by reading it; leave clears_on_read out'
        )
    return hold, since_read, 0.0 if since_read else float(table.window)


def valid_range(valid: object, unit: str, place: Place) -> tuple[float, float]:
    """Low and high in the tag's unit; an open range when none is written, or when it is refused."""
    if valid is None:
        return -math.inf, math.inf
    assert isinstance(valid, tuple)
    low, high = valid
    wrong = [str(end) for end in (low, high) if not same_dimension(end.unit, unit)]
    if wrong:
        place.fault(("valid",), f"{' and '.join(wrong)} and the tag's unit, {shown_unit(unit)}, measure different things")
        return -math.inf, math.inf
    if low.to(unit) >= high.to(unit):
        place.fault(("valid",), f"the range is reversed or empty: {low} to {high}; the low end stands first")
        return -math.inf, math.inf
    return low.to(unit), high.to(unit)


def on_change(quantity: object, unit: str, place: Place) -> float:
    """The least change that is sent, in the tag's unit (0.0: every change)."""
    if not isinstance(quantity, Quantity):
        return 0.0
    if not same_dimension(quantity.unit, unit):
        place.fault(("on_change",), f"{quantity} and the tag's unit, {shown_unit(unit)}, measure different things")
        return 0.0
    if quantity.magnitude < 0:
        place.fault(("on_change",), f"{quantity} is negative; it is the least change that is sent")
        return 0.0
    return quantity.difference_to(unit)


def uncertainty(quantity: object, unit: str, place: Place) -> float | None:
    """The standard uncertainty of one reading, in the tag's unit; None when it is not written."""
    if not isinstance(quantity, Quantity):
        return None
    if not same_dimension(quantity.unit, unit):
        place.fault(("uncertainty",), f"{quantity} and the tag's unit, {shown_unit(unit)}, measure different things")
        return None
    if quantity.magnitude < 0:
        place.fault(("uncertainty",), f"{quantity} is negative; it is a standard deviation")
        return None
    return quantity.difference_to(unit)


def sending(table: ComputedTable, unit: str, place: Place) -> tuple[float, float, float, float]:
    """Valid low and high, least change and longest silence of a computed tag."""
    low, high = valid_range(table.valid, unit, place)
    return low, high, on_change(table.on_change, unit, place), table.at_least_every or math.inf


def _refuse_unused(pieces: Pieces) -> None:
    used = {written.table.endpoint for written in pieces.tags.values()}
    used |= _named_anywhere(pieces.document.data.get("station")) if pieces.broken_tags else set()
    for name in pieces.endpoints:
        if name not in used:
            pieces.document.fault(
                ("endpoint", name), "no tag uses this endpoint; take it out, or name it in a tag or in defaults"
            )


def _named_anywhere(table: object) -> set[str | None]:
    """Endpoints named in tables that could not be read as tags: they count as used."""
    found: set[str | None] = set()
    if isinstance(table, dict):
        for key, value in table.items():
            found |= {value} if key == "endpoint" and isinstance(value, str) else _named_anywhere(value)
    return found
