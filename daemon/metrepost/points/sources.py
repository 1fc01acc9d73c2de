"""The points of a loaded line: where each tag comes from, in the engineer's own words."""

import math
from collections.abc import Iterator

from ..configuration.plan import LoadedLine
from ..endpoints.modbus_plan import is_cleared
from ..endpoints.plan import Endpoint, ModbusEndpoint, ModbusPoint, MqttEndpoint, MqttPoint, OpcUaEndpoint, OpcUaPoint
from ..readings.tag import Hold, Tag
from .model import Point


def points_of(line: LoadedLine) -> tuple[Point, ...]:
    """Every tag of the line in the order of its file, computed ones last. Secrets and addresses' passwords are never part of it."""
    tags = line.plan.tags
    measured = dict(_measured(line))
    computed = {c.tag: f"{c.function}({', '.join(c.of)})" for c in line.plan.computed}
    first = [measured[name] for name in tags if name in measured]
    derived = [
        Point(tag=name, place=source, unit=tags[name].unit, valid_low=_end(tags[name].valid_low),
              valid_high=_end(tags[name].valid_high), derived=True)
        for name, source in computed.items()
    ]  # fmt: skip
    return (*first, *derived)


def _measured(line: LoadedLine) -> Iterator[tuple[str, Point]]:
    for endpoint in line.endpoints:
        for point in endpoint.points:
            tag = line.plan.tags[point.tag]
            yield (
                point.tag,
                Point(
                    tag=point.tag,
                    endpoint=endpoint.name,
                    address=_address(endpoint),
                    place=_place(endpoint, point),
                    decoding=", ".join(part for part in (_decoding(point), _holds(tag)) if part),
                    scale=point.scale,
                    offset=point.offset,
                    unit=tag.unit,
                    valid_low=_end(point.valid_low),
                    valid_high=_end(point.valid_high),
                    clears_on_read=isinstance(endpoint, ModbusEndpoint)
                    and isinstance(point, ModbusPoint)
                    and is_cleared(point, endpoint),
                ),
            )


def _address(endpoint: Endpoint) -> str:
    if isinstance(endpoint, OpcUaEndpoint):
        return endpoint.address
    return endpoint.where if isinstance(endpoint, ModbusEndpoint) else f"{endpoint.host}:{endpoint.port}"


def _place(endpoint: Endpoint, point: ModbusPoint | OpcUaPoint | MqttPoint) -> str:
    if isinstance(point, OpcUaPoint):
        return point.node or point.path
    if isinstance(point, MqttPoint):
        assert isinstance(endpoint, MqttEndpoint)
        return f"{point.topic} {point.pointer}".strip()
    assert isinstance(endpoint, ModbusEndpoint)
    counted = ", counted from 1" if endpoint.address_base else ""
    return f"unit {endpoint.unit_of(point)}, {point.table} {point.register + endpoint.address_base}{counted}"


def _decoding(point: ModbusPoint | OpcUaPoint | MqttPoint) -> str:
    if not isinstance(point, ModbusPoint):
        return ""
    if point.bit is not None:
        return f"bit {point.bit}" + (", bytes little" if point.byte_order == "little" else "")
    orders = f", words {point.word_order}" if point.type not in ("bool", "int16", "uint16") else ""
    return point.type + orders + (", bytes little" if point.byte_order == "little" else "")


def _holds(tag: Tag) -> str:
    if tag.hold is Hold.INSTANT:
        return ""
    return f"{tag.hold.value} since read" if tag.since_read else f"{tag.hold.value} over {tag.window:g} s"


def _end(value: float) -> float | None:
    return value if math.isfinite(value) else None
