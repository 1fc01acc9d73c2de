"""From an OPC UA DataValue to a reading: value, status and time. No clock, no socket; asyncua's objects are only looked at.

Status severity is the top two bits of the code (OPC 10000-4, 7.39): 00 good, 01 uncertain, 10 and 11 bad. The names come from
the standard's own list, such as ``BadSensorFailure``.
"""

import math
from typing import Any

import msgspec

from ..readings import BAD, GOOD, UNCERTAIN, Quality, Reading
from .plan import OpcUaPoint

OLDEST = 60.0
"""A changed value whose source time lies further back than this (seconds) is not believed."""
AHEAD = 1.0
"""A source time further in the future than this (seconds) is not believed."""
SOURCE_TIME = "source time"
"""Reason of a reading whose source time was replaced by the time of receipt."""
_INFO_MASK = 0xFFFF0000
_OVERFLOW = 0x0480  # info type "data value" with the overflow bit


class Moment(msgspec.Struct, frozen=True):
    """When a value came in, all in line time seconds.

    `received`: time of receipt. `doubt`: half width of it as a time of the value. `unchanged_before`: a source time before this
    says only that the value has not changed since (the first value of a subscription, a polled value): the value holds now, or, with
    `first`, from then on: what changed next may be stamped before this message came, and must not lie before it.
    `backlog`: how long the values may have waited in the server because of an outage. `clock_doubt`: what is known to be wrong
    with the server's clock.
    """

    received: float
    doubt: float
    unchanged_before: float = -math.inf
    backlog: float = 0.0
    clock_doubt: float = 0.0
    first: bool = False


def quality_of(code: int) -> Quality:
    """Quality of a status code."""
    severity = code >> 30
    return (GOOD, UNCERTAIN, BAD, BAD)[severity]


def overflowed(code: int) -> bool:
    """Whether the status says that values before this one were dropped for want of room in the server's queue."""
    return code & _OVERFLOW == _OVERFLOW


def number(value: object) -> tuple[float, str]:
    """``(value, "")``, or ``(nan, reason)`` for what is no finite number. Strings are never read as numbers."""
    if value is None:
        return math.nan, "no value"
    if not isinstance(value, bool | int | float):
        return math.nan, "not a number"
    try:
        plain = float(value)
    except OverflowError:
        return math.nan, "too large"
    if math.isnan(plain):
        return math.nan, "not a number"
    if math.isinf(plain):
        return math.nan, "infinite"
    return plain, ""


def status_name(code: int, name_of: Any) -> str:
    """The standard's name of a status code ("" for plain good); `name_of` looks a bare code up."""
    bare = code & _INFO_MASK
    return "" if bare == 0 else str(name_of(bare))


def time_of(data_value: Any, moment: Moment) -> tuple[float, float, bool]:
    """``(time, doubt, replaced)`` of a value, before latency.

    The source's own time if there is one to be believed, else the server's, else the time of receipt.
    """
    stamp, doubt = data_value.SourceTimestamp, moment.clock_doubt
    if stamp is None:
        stamp, doubt = data_value.ServerTimestamp, max(moment.doubt, moment.clock_doubt)
    if stamp is None:
        return moment.received, moment.doubt + moment.backlog, False
    source = float(stamp.timestamp())
    if source > moment.received + AHEAD:
        return moment.received, moment.doubt + moment.backlog, True
    if source < moment.unchanged_before:
        return moment.unchanged_before if moment.first else moment.received, moment.doubt, False
    if source < moment.received - OLDEST - moment.backlog:
        return moment.received, moment.doubt + moment.backlog, True
    return source, doubt, False


def decode(point: OpcUaPoint, data_value: Any, moment: Moment, name_of: Any) -> Reading:
    """The reading that a DataValue stands for. Never raises for what a server can send."""
    code = int(data_value.StatusCode.value) if data_value.StatusCode is not None else 0
    quality, reason = quality_of(code), status_name(code, name_of)
    time, doubt, replaced = time_of(data_value, moment)
    if quality is BAD:
        return Reading(point.tag, time - point.latency, math.nan, BAD, reason, doubt)
    value, wrong = number(None if data_value.Value is None else data_value.Value.Value)
    if not wrong:
        value = value * point.scale + point.offset
        if not math.isfinite(value):
            value, wrong = math.nan, "too large"
        elif not point.valid_low <= value <= point.valid_high:
            wrong = "range"
    if wrong:
        return Reading(point.tag, time - point.latency, value, BAD, wrong, doubt)
    if replaced:
        quality, reason = UNCERTAIN, f"{reason}, {SOURCE_TIME}" if reason else SOURCE_TIME
    return Reading(point.tag, time - point.latency, value, quality, reason, doubt)
