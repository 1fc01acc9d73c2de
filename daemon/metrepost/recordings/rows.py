"""One row of a recording, one input of the core: written and read back to the same bits.

Columns: `time` (UTC), `tag`, `value`, `quality`, `reason`, `time_uncertainty` (s), `act` (JSON of an act where `value` is numeric).
The tag ``@act`` marks an act, ``@tick`` a tick of line time.
"""

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple

import msgspec

from ..readings import Act, Input, Quality, Reading, Tick
from ..readings.act import ACTS

ACT = "@act"
TICK = "@tick"
COLUMNS = ("time", "tag", "value", "quality", "reason", "time_uncertainty", "act")
NEEDED = ("time", "tag", "value")
SECOND = 1_000_000_000
QUALITIES = {q.word: q for q in Quality}
TIMES = "RFC 3339 with offset, such as 2026-01-31T08:15:00.123Z, or whole nanoseconds since 1970 UTC"
_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?(Z|z|[+-]\d\d:\d\d)")
_LATEST = 7_258_118_400 * SECOND  # the year 2200: later is a wrong unit
_EARLIEST = 946_684_800 * SECOND  # the year 2000
_FIELDS = {field.name: field for field in msgspec.structs.fields(Act)}
_WRITTEN = tuple(field for name, field in _FIELDS.items() if name != "time")


class Wrong(NamedTuple):
    """What is wrong with one field of a row."""

    column: str
    what: str
    allowed: str


class RowError(ValueError):
    """A row that is no input. `wrong` says which field and what is allowed there."""

    def __init__(self, column: str, what: str, allowed: str) -> None:
        super().__init__(what)
        self.wrong = Wrong(column, what, allowed)


def nanoseconds(seconds: float) -> int:
    """Line time as whole nanoseconds; `seconds` gives the very same float back."""
    # the whole seconds apart: a float of 1e18 is only good to 256 ns
    whole = math.floor(seconds)
    return whole * SECOND + round((seconds - whole) * SECOND)


def seconds(nanoseconds: int) -> float:
    """The float nearest to a time in nanoseconds (division of integers rounds correctly)."""
    return nanoseconds / SECOND


def act_json(act: Act) -> str:
    """An act as JSON, without its time and without what was left out."""
    given = {f.name: value for f in _WRITTEN if (value := getattr(act, f.name)) != f.default}
    return msgspec.json.encode(given).decode()


def time_of(text: str) -> int:
    """A time in a text cell, in nanoseconds. Raises RowError."""
    found = _RFC3339.fullmatch(text.strip())
    if found is not None:
        day, clock, fraction, zone = found.groups()
        try:
            moment = datetime.fromisoformat(f"{day}T{clock}{zone.upper()}").astimezone(UTC)
        except (ValueError, OverflowError) as error:
            raise RowError("time", f"{text!r} is no time: {error}", TIMES) from error
        return in_range(int(moment.timestamp()) * SECOND + int((fraction or "0").ljust(9, "0")))
    if re.fullmatch(r"\d{1,19}", text.strip()):
        return in_range(int(text))
    raise RowError("time", f"{text!r} is no time", TIMES)


def in_range(at: int) -> int:
    """Refuse times that are seconds or milliseconds taken for nanoseconds. Raises RowError."""
    if not _EARLIEST <= at <= _LATEST:
        raise RowError("time", f"{at} ns lies outside the years 2000 to 2200", TIMES)
    return at


def act_of(text: str, column: str, at: float) -> Act:
    """The act in a JSON cell. Raises RowError."""
    example = 'JSON such as {"act": "acknowledge", "alarm": "cold-lump.lump", "who": "…"}'
    try:
        body = msgspec.json.decode(text)
    except msgspec.DecodeError as error:
        raise RowError(column, f"no JSON: {error}", example) from error
    if not isinstance(body, Mapping) or "act" not in body:
        raise RowError(column, "an act without the key act", example)
    if unknown := sorted(set(body) - set(_FIELDS)):
        raise RowError(column, f"an act has no {', '.join(unknown)}", ", ".join(f.name for f in _WRITTEN))
    if body["act"] not in ACTS:
        raise RowError(column, f"{body['act']!r} is no act", ", ".join(ACTS))
    try:
        return msgspec.convert({**body, "time": at}, Act)
    except msgspec.ValidationError as error:
        raise RowError(column, str(error), example) from error


def _number(value: Any, column: str) -> float:
    if value is None or value == "":
        return math.nan
    try:
        return float(value)
    except (TypeError, ValueError) as error:
        raise RowError(column, f"{value!r} is no number", "a number; empty, with quality bad, where there is none") from error


def input_of(
    at: int, tag: str, value: Any, quality: str | None, reason: str | None, uncertainty: Any, act: str | None
) -> Input:
    """The input that a row stands for. Raises RowError."""
    time = seconds(in_range(at))
    if tag == TICK:
        return Tick(time)
    if tag == ACT:
        return act_of(act, "act", time) if act else act_of(value if isinstance(value, str) else "", "value", time)
    station, dot, name = tag.partition(".")
    if not (station and dot and name):
        raise RowError("tag", f"{tag!r} is no tag", f"station.tag, {ACT} or {TICK}")
    known = QUALITIES.get(quality or "good")
    if known is None:
        raise RowError("quality", f"{quality!r} is no quality", "good, uncertain, bad, or empty for good")
    number = _number(value, "value")
    if math.isnan(number) and not quality:
        raise RowError("value", "no value", "a number; a row without one says so with a quality (bad)")
    spread = 0.0 if uncertainty is None or uncertainty == "" else _number(uncertainty, "time_uncertainty")
    if not 0.0 <= spread < math.inf:
        raise RowError("time_uncertainty", f"{uncertainty!r} is no half width", "seconds from 0, or empty for 0")
    return Reading(tag, time, number, known, reason or "", spread)
