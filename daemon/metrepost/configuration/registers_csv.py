"""Register lists: CSV files with the columns `station`, `tag`, then the keys of a tag, as a spreadsheet saves them."""

import csv
import io
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from .document import read_text
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
    faults.opened(path)
    text = read_text(path, faults)
    if text is None:
        return []
    head = next((line for line in text.splitlines() if line.strip()), "")
    separator = max((";", "\t", ","), key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    columns: list[str] = []
    rows: list[Row] = []
    line = 1
    try:
        for cells in reader:
            filled = [cell.strip() for cell in cells]
            if any(filled):
                if columns:
                    rows.extend(_row(path, line, columns, filled, faults, comma=separator == ";"))
                else:
                    columns = [name.lower() for name in filled]
                    if not _good_head(path, line, columns, faults):
                        return []
            line = reader.line_num + 1
    except csv.Error as error:
        faults.add(path, line, "", f"no valid CSV: {error}")
    if not columns:
        faults.add(path, 0, "", "the register list is empty; its first row names the columns", COLUMNS)
    return rows


def _good_head(path: Path, line: int, columns: list[str], faults: Faults) -> bool:
    good = True
    for name in ("station", "tag"):
        if name not in columns:
            faults.add(path, line, name, f"the first row has no column {name}", COLUMNS)
            good = False
    for index, name in enumerate(columns):
        if name and name not in COLUMNS:
            faults.add(path, line, name, "there is no such column", COLUMNS, name)
            good = False
        elif name and name in columns[:index]:
            faults.add(path, line, name, "the column stands twice")
            good = False
    return good


def _row(path: Path, line: int, columns: list[str], cells: list[str], faults: Faults, *, comma: bool) -> Iterable[Row]:
    named = {name: cell for name, cell in zip(columns, cells, strict=False) if name and cell}
    station, tag = named.pop("station", ""), named.pop("tag", "")
    row = Row(path, line, station, tag, {}, faults)
    surplus = [cell for cell in cells[len(columns) :] if cell]
    if surplus:
        row.fault((), f"the row has more cells than the first row has columns: {', '.join(surplus)}")
    if not station or not tag:
        row.fault((), f"the row names no {'tag' if station else 'station'}")
        return
    for key, cell in named.items():
        row.table[key] = _value(key, cell, comma=comma)
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
        return [_point(end) for end in ends] if comma else ends
    if key in ("poll", "window", "on_change", "at_least_every") and comma:
        return _point(cell)
    return cell


def _point(text: str) -> str:
    return re.sub(r"(\d),(\d)", r"\1.\2", text)
