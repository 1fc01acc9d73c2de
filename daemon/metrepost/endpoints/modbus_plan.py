"""Which registers to ask for together. Pure.

Points of one table and one poll are joined into as few requests as the protocol allows: at most 125 registers or 2000 coils
or discrete inputs a request (MODBUS Application Protocol V1.1b3, section 6.1 to 6.4), spanning at most `max_gap` registers
that nobody asked for. Going through the points by register and filling each request as far as it will go is enough for the
smallest number: a point that starts later can always move to a later request without making that one longer at its start.

A register that is cleared by reading is read by exactly one request, once per poll: it is never part of a gap, and a plan in
which two requests would read it is refused.

Devices that share a connection have polls of their own, so that the schedule gives each its turn.
"""

from collections.abc import Iterable, Sequence
from itertools import groupby

import msgspec

from .plan import ModbusEndpoint, ModbusPoint, Table

FUNCTION: dict[Table, int] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function codes: the four reads, and there are no others here."""

MAX_REGISTERS = 125
MAX_BITS = 2000
ADDRESSES = 65536

WIDTH = {"int16": 1, "uint16": 1, "bool": 1, "int32": 2, "uint32": 2, "float32": 2, "int64": 4, "uint64": 4, "float64": 4}
"""Registers that a number takes."""


class PlanError(ValueError):
    """Points that cannot be read as declared: the line file is wrong, not the field."""


class Request(msgspec.Struct, frozen=True):
    """One request: `count` registers (or bits) of `table` from `register`, and the points in it in register order.

    `unit_id` as in the points: None is the endpoint's own.
    """

    table: Table
    register: int
    count: int
    points: tuple[ModbusPoint, ...]

    @property
    def unit_id(self) -> int | None:
        """The device that is asked."""
        return self.points[0].unit_id

    @property
    def function(self) -> int:
        """Function code, 1 to 4."""
        return FUNCTION[self.table]

    @property
    def size(self) -> int:
        """Bytes of data in a right answer."""
        return self.count * 2 if self.function >= 3 else (self.count + 7) // 8


class Poll(msgspec.Struct, frozen=True):
    """All requests that are made of one device every `period` seconds, in register order."""

    period: float
    requests: tuple[Request, ...]


def width(point: ModbusPoint) -> int:
    """Registers (or bits, for coils and discrete inputs) that a point takes."""
    return 1 if point.table in ("coil", "discrete") else WIDTH[point.type]


def span(point: ModbusPoint) -> range:
    """The registers of a point."""
    return range(point.register, point.register + width(point))


def _order(point: ModbusPoint) -> tuple[int, int, int, int, str]:
    return FUNCTION[point.table], point.register, width(point), -1 if point.bit is None else point.bit, point.tag


def check_point(point: ModbusPoint) -> None:
    """Raise PlanError when a point cannot exist."""
    if not 0 <= point.register <= ADDRESSES - width(point):
        raise PlanError(
            f"{point.tag}: {point.type} at register {point.register} leaves the address space; "
            f"zero-based registers go from 0 to {ADDRESSES - width(point)} for this type"
        )
    if point.bit is not None:
        if point.table in ("coil", "discrete"):
            raise PlanError(f"{point.tag}: a {point.table} is one bit already; leave `bit` out")
        if point.type in ("float32", "float64"):
            raise PlanError(f"{point.tag}: a {point.type} has no bits to pick; use an integer type with `bit`")
        if not 0 <= point.bit < 16 * width(point):
            raise PlanError(
                f"{point.tag}: bit {point.bit} does not exist in {point.type}; allowed are 0 to {16 * width(point) - 1}"
            )
    if not point.poll > 0.0:
        raise PlanError(f"{point.tag}: poll is {point.poll} s; it must be above 0 s")


def clearing(points: Iterable[ModbusPoint]) -> dict[Table, set[int]]:
    """Registers that are cleared by reading, by table."""
    found: dict[Table, set[int]] = {table: set() for table in FUNCTION}
    for point in points:
        if point.clears_on_read:
            found[point.table].update(span(point))
    return found


def join(points: Sequence[ModbusPoint], limit: int, max_gap: int, cleared: set[int]) -> list[Request]:
    """Requests for points of one table, in register order.

    `limit` is the largest number of registers in one request; `cleared` are registers that no gap may span.
    """
    requests: list[Request] = []
    held: list[ModbusPoint] = []
    start = end = 0
    for point in sorted(points, key=_order):
        first, after = point.register, point.register + width(point)
        if held:
            gap = range(end, first)
            fits = max(end, after) - start <= limit and len(gap) <= max_gap and cleared.isdisjoint(gap)
            if not fits:
                requests.append(Request(held[0].table, start, end - start, tuple(held)))
                held = []
        if not held:
            start = end = first
        held.append(point)
        end = max(end, after)
    if held:
        requests.append(Request(held[0].table, start, end - start, tuple(held)))
    return requests


def plan(endpoint: ModbusEndpoint) -> tuple[Poll, ...]:
    """The polls of an endpoint, fastest first, then by unit id. Raises PlanError when its points cannot be read as declared."""
    for point in endpoint.points:
        check_point(point)
    registers = endpoint.max_registers
    if not 4 <= registers <= MAX_REGISTERS:
        raise PlanError(f"endpoint {endpoint.name}: max_registers is {registers}; allowed are 4 to {MAX_REGISTERS}")
    if endpoint.max_gap < 0:
        raise PlanError(f"endpoint {endpoint.name}: max_gap is {endpoint.max_gap}; it is 0 or more")
    polls: list[tuple[float, int, Poll]] = []
    for unit in {endpoint.unit_of(point) for point in endpoint.points}:
        own = [point for point in endpoint.points if endpoint.unit_of(point) == unit]
        cleared = clearing(own)
        of_unit: list[Poll] = []
        ordered = sorted(own, key=lambda point: (point.poll, *_order(point)))
        for period, points in groupby(ordered, key=lambda point: point.poll):
            requests: list[Request] = []
            for table, of_table in groupby(points, key=lambda point: point.table):
                limit = registers if FUNCTION[table] >= 3 else MAX_BITS
                requests += join(list(of_table), limit, endpoint.max_gap, cleared[table])
            of_unit.append(Poll(period, tuple(requests)))
        _refuse_second_reads(endpoint.name, cleared, [request for poll in of_unit for request in poll.requests])
        polls += [(poll.period, unit, poll) for poll in of_unit]
    return tuple(poll for _, _, poll in sorted(polls, key=lambda each: each[:2]))


def is_cleared(point: ModbusPoint, endpoint: ModbusEndpoint) -> bool:
    """Whether a register of the point is declared to be cleared by reading, by this point or another of the same device."""
    same = [other for other in endpoint.points if endpoint.unit_of(other) == endpoint.unit_of(point)]
    return not clearing(same)[point.table].isdisjoint(span(point))


def split(request: Request) -> list[Request]:
    """The same points in smaller requests: without gaps, or, where there is none, one by one as far as registers allow.

    For a device that refuses a block because a register in it does not exist: the others are still to be had. Points that share
    a register which is cleared by reading stay together, so that it is still read once.
    """
    limit = MAX_REGISTERS if request.function >= 3 else MAX_BITS
    pieces = join(request.points, limit, 0, set())
    if len(pieces) > 1:
        return pieces
    cleared = clearing(request.points)[request.table]
    pieces = []
    held: list[ModbusPoint] = []
    end = 0
    for point in request.points:
        # a cleared register between here and the end of what is held may be shared with this point or a later one
        if held and cleared.isdisjoint(range(point.register, end)):
            pieces += join(held, limit, 0, set())
            held = []
        held.append(point)
        end = max(end, point.register + width(point))
    return pieces + join(held, limit, 0, set())


def _refuse_second_reads(name: str, cleared: dict[Table, set[int]], requests: Sequence[Request]) -> None:
    reader: dict[tuple[Table, int], Request] = {}
    for request in requests:
        for register in sorted(cleared[request.table].intersection(range(request.register, request.register + request.count))):
            other = reader.setdefault((request.table, register), request)
            if other is not request:
                tags = sorted(point.tag for point in (*request.points, *other.points) if register in span(point))
                raise PlanError(
                    f"endpoint {name}: {request.table} register {register} is cleared by reading, but would be read by two requests "
                    f"({', '.join(tags)}); give these tags one poll and no overlap, or drop all but one"
                )
