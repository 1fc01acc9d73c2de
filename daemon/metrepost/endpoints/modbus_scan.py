"""Which registers of a device answer: one at a time, slowly, on a connection of its own. Function codes 1 to 4 only.

Registers that the line file declares to be cleared by reading are never asked. Nothing can tell those that it does not know:
whoever starts a scan has to be told so first.
"""

import asyncio
from collections.abc import Callable

import msgspec

from .contract import Clock
from .modbus_decode import raw_text
from .modbus_link import Answer, ModbusLink
from .modbus_plan import ADDRESSES, Request, clearing
from .modbus_rtu_link import ModbusRtuLink
from .plan import ModbusEndpoint, ModbusPoint, Table

GIVE_UP = 10
"""Requests without any answer, from the start or after a lost connection, after which the device counts as silent."""


class Found(msgspec.Struct, frozen=True):
    """What one register gave: its word in hex (or a bit), or why not. `round_trip` in seconds; 0 without an answer.

    `answered` is False for an exception answer and for silence. `absent`: the device says that it has no such register.
    """

    table: Table
    register: int
    answered: bool
    raw: str
    reason: str
    round_trip: float
    absent: bool = False


def to_ask(endpoint: ModbusEndpoint, table: Table, first: int, last: int, unit: int) -> tuple[list[int], list[str]]:
    """Registers from `first` to `last` (both included) that may be read, and the tags whose registers are left out."""
    same = [point for point in endpoint.points if endpoint.unit_of(point) == unit and point.table == table]
    cleared = clearing(same)[table]
    wanted = set(range(max(first, 0), min(last, ADDRESSES - 1) + 1))
    left_out = sorted(p.tag for p in same if not wanted.isdisjoint(clearing([p])[table]))
    return sorted(wanted - cleared), left_out


async def scan(
    endpoint: ModbusEndpoint,
    clock: Clock,
    table: Table,
    registers: list[int],
    unit: int,
    rate: float,
    tell: Callable[[Found], None],
) -> str:
    """Ask for `registers` of `unit` in turn, at most `rate` requests a second, and tell each as it comes.

    Returns "" at the end, else why it went no further. Cancelling ends it at once and closes the connection. Never raises for what
    the field does.
    """
    link: ModbusLink | None = None
    silent = 0
    try:
        for number, register in enumerate(registers):
            if number:
                await asyncio.sleep(1.0 / rate)  # between the end of one and the next: a slow device is not pressed
            if link is None:
                link = (ModbusLink if endpoint.framing == "tcp" else ModbusRtuLink)(endpoint, clock)
                why = await link.open()
                if why:
                    return why
            point = ModbusPoint("", table, register, "bool" if table in ("coil", "discrete") else "uint16", unit_id=unit)
            request = Request(table, register, 1, (point,))
            outcome = await link.read(request)
            if isinstance(outcome, Answer):
                silent = 0
                tell(Found(table, register, True, raw_text(request, outcome.data), "", outcome.round_trip))
                continue
            silent = 0 if outcome.alive else silent + 1
            reason = f"{outcome.reason} ({outcome.detail})" if outcome.detail else outcome.reason
            tell(Found(table, register, False, "", reason, 0.0, outcome.unknown_address))
            if silent >= GIVE_UP:
                return f"unit {unit} at {endpoint.where} gave no answer to {GIVE_UP} requests in a row"
            if outcome.broken:
                link.close()
                link = None
    finally:
        if link is not None:
            link.close()
    return ""
