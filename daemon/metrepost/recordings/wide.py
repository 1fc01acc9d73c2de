"""Wide tables as plants export them: one row a moment, one column a tag. What a column is, a mapping says."""

import csv
import math
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from ..configuration.faults import nearest
from ..configuration.mapping import WideColumn, WideMapping
from ..readings import BAD, GOOD, Reading
from .faults import RecordingFaults
from .rows import SECOND, RowError, in_range, seconds, time_of

UNREADABLE = "unreadable"
"""Reason of a reading whose cell holds no number."""
NO_VALUE = "no-value"
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(\.\d{3})+")


class WideRow(NamedTuple):
    """The readings of a row, or what is wrong with it."""

    number: int
    readings: list[Reading]
    error: RowError | None


class Times:
    """Cells as times, in nanoseconds since 1970 UTC.

    A local time that the end of summer time gives twice is the first one that is not before the row above it; one that its
    beginning leaves out is refused.
    """

    def __init__(self, mapping: WideMapping) -> None:
        self._format = mapping.format
        self._zone = ZoneInfo(mapping.zone) if mapping.zone else UTC
        self._last = 0

    def of(self, text: str) -> int:
        """Raises RowError."""
        text = text.strip()
        if self._format == "iso" and (text[-1:] in "zZ" or text[-6:-5] in ("+", "-")):
            at = time_of(text)
        elif self._format in ("seconds", "milliseconds"):
            at = self._number(text)
        else:
            at = self._local(text)
        self._last = at
        return at

    def _number(self, text: str) -> int:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise RowError("time", f"{text!r} is no number", f"{self._format} since 1970 UTC")
        whole = math.floor(number)
        unit = SECOND if self._format == "seconds" else SECOND // 1000
        return in_range(whole * unit + round((number - whole) * unit))

    def _local(self, text: str) -> int:
        try:
            found = datetime.fromisoformat(text) if self._format == "iso" else datetime.strptime(text, self._format)  # noqa: DTZ007  its zone comes next
        except (ValueError, OverflowError) as error:
            raise RowError("time", f"{text!r} is no time: {error}", self._format) from error
        if found.tzinfo is not None:
            return _nanoseconds(found)
        early, late = (_nanoseconds(found.replace(tzinfo=self._zone, fold=fold)) for fold in (0, 1))
        there = datetime.fromtimestamp(early // SECOND, self._zone).replace(tzinfo=None)
        if early != late and there != found.replace(microsecond=0):
            raise RowError(
                "time", f"{text!r} does not exist in {self._zone}: summer time began", "a time that the clock showed"
            )
        return late if early < self._last <= late else early


def _nanoseconds(moment: datetime) -> int:
    whole = moment.replace(microsecond=0)
    return in_range(int(whole.timestamp()) * SECOND + moment.microsecond * 1000)


def wide_rows(file: Path, mapping: WideMapping, faults: RecordingFaults) -> Iterator[WideRow]:
    """The rows of a wide table. A cell without a number is a bad reading, never left out silently."""
    try:
        with file.open(
            encoding="utf-8-sig" if mapping.encoding.lower() in ("utf-8", "utf8") else mapping.encoding, newline=""
        ) as stream:
            table = csv.reader(stream, delimiter=mapping.separator, strict=True)
            header = [name.strip() for name in next(table, [])]
            if not _header_fits(file, header, mapping, faults):
                return
            at = header.index(mapping.time)
            places = [(header.index(name), column, _Last()) for name, column in mapping.columns.items()]
            times, number_of = Times(mapping), _numbers(mapping.decimal)
            for number, cells in enumerate(table, 1):
                if not any(cell.strip() for cell in cells):
                    continue
                if len(cells) != len(header):
                    yield WideRow(number, [], RowError("", f"{len(cells)} cells", f"{len(header)}, as the header has"))
                    continue
                try:
                    time = seconds(times.of(cells[at]))
                except RowError as error:
                    yield WideRow(number, [], error)
                    continue
                made = (_reading(cells[place].strip(), column, time, mapping, number_of) for place, column, _ in places)
                readings = [one for one, (_, column, last) in zip(made, places, strict=True) if last.new(one, column.on_change)]
                yield WideRow(number, readings, None)
    except (UnicodeDecodeError, UnicodeError) as error:
        faults.add(file, 0, "", f"not {mapping.encoding}: {error}", "the encoding that the mapping names")
    except csv.Error as error:
        faults.add(file, 0, "", f"no CSV: {error}", "cells apart by the separator that the mapping names")
    except OSError as error:
        faults.add(file, 0, "", f"cannot be read: {error.strerror}")


class _Last:
    """What a column said last."""

    def __init__(self) -> None:
        self._said: tuple[float, int] | None = None

    def new(self, one: Reading, on_change: bool) -> bool:
        said = (0.0 if math.isnan(one.value) else one.value, int(one.quality))
        new, self._said = said != self._said, said
        return new or not on_change


def _header_fits(file: Path, header: list[str], mapping: WideMapping, faults: RecordingFaults) -> bool:
    before = faults.count
    for name in (mapping.time, *mapping.columns):
        if header.count(name) == 0:
            near = nearest(name, header)
            allowed = f"nearest: {near}" if near else ", ".join(header[:12])
            faults.add(file, 0, name, "the mapping names it, and there is no such column", allowed)
        elif header.count(name) > 1:
            faults.add(file, 0, name, "the column is there more than once", "each column once")
    return faults.count == before


def _numbers(decimal: str) -> Callable[[str], float]:
    if decimal == ".":
        return float
    return _with_comma


def _with_comma(text: str) -> float:
    """A number with a decimal comma. Points only between thousands, "1.234,5": in "4.80" somebody meant something else."""
    whole, comma, rest = text.partition(",")
    if "." in rest or ("." in whole and not _THOUSANDS.fullmatch(whole)):
        raise ValueError(text)
    return float(whole.replace(".", "") + comma.replace(",", ".") + rest)


def _reading(cell: str, column: WideColumn, time: float, mapping: WideMapping, number_of: Callable[[str], float]) -> Reading:
    if cell in mapping.no_value:
        return Reading(column.tag, time, math.nan, BAD, NO_VALUE)
    try:
        value = number_of(cell) * column.scale + column.offset
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        return Reading(column.tag, time, math.nan, BAD, UNREADABLE)
    return Reading(column.tag, time, value, GOOD)
