"""From a message to readings: value, quality and time by JSON Pointer (RFC 6901). No clock, no socket.

A payload is JSON, or a plain decimal number. What cannot be read is a bad reading whose reason says what was looked for and where.
"""

import math
import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import jsonpointer
import msgspec
import orjson

from ..readings import BAD, GOOD, UNCERTAIN, Quality, Reading
from .plan import MqttPoint

LARGEST = 256 * 1024
"""Bytes. A larger payload is not looked at."""
OLDEST = 60.0
"""A source time further back than this (seconds) is not believed."""
SOURCE_TIME = "source time"
"""Reason of a reading whose source time was replaced by the time of receipt."""
RETAINED = "retained"
"""Reason of a reading from a message that the broker had kept: it may be of any age."""

_PLAIN = re.compile(rb"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")
_STAMP = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(?:\.(\d{1,9}))?(?:[Zz]|[+-]\d\d:\d\d)")  # RFC 3339, 5.6
_UNITS = ((1e11, 1.0), (1e14, 1e-3), (1e17, 1e-6), (1e20, 1e-9))
"""A number is seconds, milli-, micro- or nanoseconds since 1970 by its size: the four are a thousandfold apart."""
_SHOWN = 40


class Message(msgspec.Struct, frozen=True, gc=False):
    """One message of a topic. `received` is line time."""

    payload: bytes
    received: float
    retained: bool = False


class Nothing(Exception):  # noqa: N818 - no error: the field sent something else, which becomes a bad reading
    """There is no such value; says why in the words of a reading's reason."""


def pointer(text: str) -> jsonpointer.JsonPointer:
    """A pointer as written. Raises ValueError for what RFC 6901 does not allow."""
    try:
        return jsonpointer.JsonPointer(text)
    except jsonpointer.JsonPointerException as error:
        raise ValueError(f'"{text}" is no JSON Pointer; it begins with / at every level, such as /data/diameter') from error


def parse(payload: bytes) -> Any:
    """The payload as JSON or as a plain number. Raises Nothing."""
    if len(payload) > LARGEST:
        raise Nothing(f"payload of {len(payload)} bytes")
    try:
        return orjson.loads(payload)
    except orjson.JSONDecodeError:
        if _PLAIN.fullmatch(payload):
            return float(payload)
    raise Nothing("empty payload" if not payload.strip() else "payload is no JSON")


def _at(document: Any, where: jsonpointer.JsonPointer) -> Any:
    try:
        found = where.resolve(document)
    except jsonpointer.JsonPointerException as error:
        raise Nothing(f"nothing at {where.path or 'the root'}") from error
    if isinstance(found, jsonpointer.EndOfList):
        raise Nothing(f"nothing at {where.path}")
    return found


def shown(value: object) -> str:
    """A JSON value in a few characters."""
    try:
        text = value if isinstance(value, str) else orjson.dumps(value).decode()
    except orjson.JSONEncodeError:
        # orjson reads documents that are nested more deeply than it writes them (1024 levels, 254 levels)
        return "a value nested too deeply"
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def number(value: object) -> float:
    """A finite number; true and false are 1 and 0. Texts are never read as numbers. Raises Nothing."""
    if value is None:
        raise Nothing("no value")
    if not isinstance(value, bool | int | float):
        raise Nothing(f"not a number: {shown(value)}")
    plain = float(value)
    if not math.isfinite(plain):
        raise Nothing("too large")
    return plain


def quality(value: object, good: str | None) -> tuple[Quality, str]:
    """Quality and reason. Understood are good, uncertain and bad, names that begin so (the status names of OPC UA), true and false.

    With `good` only what is shown so is good, and everything else is bad. A bare number is not understood otherwise: 0 is good in
    one maker's list and bad in the next. Raises Nothing.
    """
    text = shown(value)
    if good is not None:
        return (GOOD, "") if text == good else (BAD, f"quality {text}")
    if isinstance(value, bool):
        return (GOOD, "") if value else (BAD, "quality false")
    if isinstance(value, str):
        for word, found in (("good", GOOD), ("uncertain", UNCERTAIN), ("bad", BAD)):
            if value.lower().startswith(word):
                return found, "" if found is GOOD else f"quality {text}"
    raise Nothing(f"quality not understood: {text}")


def stamp(value: object) -> tuple[float, float]:
    """Seconds since 1970 UTC, and the step of the stamp in seconds. Texts are RFC 3339 with a zone. Raises Nothing."""
    if isinstance(value, str) and (match := _STAMP.fullmatch(value)):
        try:
            found = datetime.fromisoformat(value.upper().replace(" ", "T")).timestamp()
        except ValueError:
            raise Nothing(f"no time: {value}") from None
        return found, 10.0 ** -len(match[1] or "")
    if isinstance(value, int | float) and not isinstance(value, bool) and value >= 1e9:
        for limit, unit in _UNITS:
            if value < limit:
                return value * unit, unit if isinstance(value, int) else max(1e-3 * unit, 1e-6)
    raise Nothing(f"no time: {shown(value)}")


class TopicDecoder:
    """Makes readings of the messages of one topic: one for each of its points, in order.

    `doubt` is how well the devices' clocks are known, half width in seconds; it is also the half width of a time of receipt.
    """

    def __init__(self, points: Sequence[MqttPoint], doubt: float) -> None:
        self._doubt = doubt
        self._fields = [
            (
                point,
                pointer(point.pointer),
                None if point.quality_pointer is None else pointer(point.quality_pointer),
                None if point.time_pointer is None else pointer(point.time_pointer),
            )
            for point in points
        ]

    def readings(self, message: Message) -> list[Reading]:
        """Never raises for what a device can send."""
        try:
            document = parse(message.payload)
        except Nothing as nothing:
            return [
                Reading(point.tag, message.received - point.latency, math.nan, BAD, str(nothing), self._doubt)
                for point, *_ in self._fields
            ]
        return [self._reading(document, message, *field) for field in self._fields]

    def _reading(
        self,
        document: Any,
        message: Message,
        point: MqttPoint,
        value_at: jsonpointer.JsonPointer,
        quality_at: jsonpointer.JsonPointer | None,
        time_at: jsonpointer.JsonPointer | None,
    ) -> Reading:
        time, doubt, replaced = self._time(document, message, time_at)
        reasons = [SOURCE_TIME] if replaced else []
        worst = UNCERTAIN if replaced or message.retained else GOOD
        if message.retained:
            reasons.insert(0, RETAINED)
        try:
            if quality_at is not None:
                said, reason = quality(_at(document, quality_at), point.quality_good)
                if said is BAD:
                    return Reading(point.tag, time - point.latency, math.nan, BAD, reason, doubt)
                worst = max(worst, said)
                reasons = [reason, *reasons] if reason else reasons
            value = number(_at(document, value_at)) * point.scale + point.offset
        except Nothing as nothing:
            return Reading(point.tag, time - point.latency, math.nan, BAD, str(nothing), doubt)
        if not math.isfinite(value):
            return Reading(point.tag, time - point.latency, math.nan, BAD, "too large", doubt)
        if not point.valid_low <= value <= point.valid_high:
            return Reading(point.tag, time - point.latency, value, BAD, "range", doubt)
        return Reading(point.tag, time - point.latency, value, worst, ", ".join(reasons), doubt)

    def _time(self, document: Any, message: Message, where: jsonpointer.JsonPointer | None) -> tuple[float, float, bool]:
        """``(time, half width, replaced)``: the source's own time if it is to be believed, else the time of receipt."""
        if where is None:
            return message.received, self._doubt, False
        try:
            source, step = stamp(_at(document, where))
        except Nothing:
            return message.received, self._doubt, True
        doubt = self._doubt + step
        if not message.received - OLDEST <= source <= message.received + doubt:
            return message.received, self._doubt, True
        return source, doubt, False
