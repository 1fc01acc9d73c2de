"""Register lists: CSV files with the columns `station`, `tag`, then the keys of a tag, as a spreadsheet saves them."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from .csv_rows import CsvRow, csv_rows, point
from .faults import Faults
from .models.station_tables import TagTable
from .toml_lines import KeyPath, spell

_INTEGERS = ("unit_id", "register", "bit")
_NUMBERS = ("scale", "offset")
_RANGE = re.compile(r"\s*(.+?)\s*\.\.\s*(.+?)\s*")
KEYS = tuple(field.alias or name for name, field in TagTable.model_fields.items())
COLUMNS = ("station", "tag", *KEYS)


class Row:
    """One row: a tag of a station. Faults of the row carry the CSV's file and line."""

    def __init__(self, path: Path, line: int, station: str, tag: str, table: dict[str, Any], faults: Faults) -> None:
        self.path = path
        self.line = line
        self.station = station
        self.tag = tag
        self.table = table
        self._faults = faults

    def fault(self, path: KeyPath, wrong: str, allowed: Iterable[str] = (), meant: str | None = None) -> None:
        """Report a fault of this row; `path` is the column (() for the row)."""
        self._faults.add(self.path, self.line, spell((self.station, self.tag, *path)), wrong, allowed, meant)


def read_rows(path: Path, faults: Faults) -> list[Row]:
    """The rows of a register list. Empty cells and empty rows are left out; the separator may be ``,`` or ``;`` or a tab.

    With ``;`` a decimal comma is understood, as spreadsheets that use this separator write it. A range in the column `valid`
    is written ``0.5 mm .. 20 mm``.
    """
    return [
        row
        for cells in csv_rows(path, faults, "register list", ("station", "tag"), COLUMNS)
        for row in _row(path, cells, faults)
    ]


def _row(path: Path, cells: CsvRow, faults: Faults) -> Iterable[Row]:
    named = dict(cells.cells)
    station, tag = named.pop("station", ""), named.pop("tag", "")
    row = Row(path, cells.line, station, tag, {}, faults)
    if cells.surplus:
        row.fault((), f"the row has more cells than the first row has columns: {', '.join(cells.surplus)}")
    if not station or not tag:
        row.fault((), f"the row names no {'tag' if station else 'station'}")
        return
    for key, cell in named.items():
        row.table[key] = _value(key, cell, comma=cells.comma)
    yield row


def _value(key: str, cell: str, *, comma: bool) -> object:
    """The cell as TOML would have it; what cannot be read stays text, which the model then refuses in its own words."""
    if key in _INTEGERS:
        return int(cell) if re.fullmatch(r"[+-]?\d{1,18}", cell) else cell
    if key in _NUMBERS:
        try:
            return float(cell.replace(",", ".") if comma else cell)
        except ValueError:
            return cell
    if key == "clears_on_read":
        return {"true": True, "false": False, "yes": True, "no": False, "1": True, "0": False}.get(cell.lower(), cell)
    if key == "valid":
        match = _RANGE.fullmatch(cell)
        ends = [match[1], match[2]] if match else [cell]
        return [point(end) for end in ends] if comma else ends
    if key in ("poll", "window", "on_change", "at_least_every") and comma:
        return point(cell)
    return cell
