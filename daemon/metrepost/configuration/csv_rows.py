"""CSV files as spreadsheets save them: one row a thing, the first row names the columns."""

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

import msgspec

from .document import read_text
from .faults import Faults


class CsvRow(msgspec.Struct, frozen=True):
    """The filled cells of one row by column, what stood beyond the last column, and whether numbers have a decimal comma."""

    line: int
    cells: dict[str, str]
    surplus: tuple[str, ...]
    comma: bool


def csv_rows(path: Path, faults: Faults, what: str, needed: Sequence[str], columns: Sequence[str]) -> list[CsvRow]:
    """The rows of a file. Empty cells and empty rows are left out; the separator may be ``,`` or ``;`` or a tab.

    With ``;`` a decimal comma is understood, as spreadsheets that use this separator write it. `what` names the file in faults.
    """
    faults.opened(path)
    text = read_text(path, faults)
    if text is None:
        return []
    head = next((line for line in text.splitlines() if line.strip()), "")
    separator = max((";", "\t", ","), key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    names: list[str] = []
    rows: list[CsvRow] = []
    line = 1
    try:
        for cells in reader:
            filled = [cell.strip() for cell in cells]
            if any(filled):
                if names:
                    named = {name: cell for name, cell in zip(names, filled, strict=False) if name and cell}
                    surplus = tuple(cell for cell in filled[len(names) :] if cell)
                    rows.append(CsvRow(line, named, surplus, separator == ";"))
                else:
                    names = [name.lower() for name in filled]
                    if not _good_head(path, line, names, needed, columns, faults):
                        return []
            line = reader.line_num + 1
    except csv.Error as error:
        faults.add(path, line, "", f"no valid CSV: {error}")
    if not names:
        faults.add(path, 0, "", f"the {what} is empty; its first row names the columns", columns)
    return rows


def point(text: str) -> str:
    """The same with decimal points for decimal commas."""
    return re.sub(r"(\d),(\d)", r"\1.\2", text)


def _good_head(
    path: Path, line: int, names: Sequence[str], needed: Sequence[str], columns: Sequence[str], faults: Faults
) -> bool:
    good = True
    for name in needed:
        if name not in names:
            faults.add(path, line, name, f"the first row has no column {name}", columns)
            good = False
    for index, name in enumerate(names):
        if name and name not in columns:
            faults.add(path, line, name, "there is no such column", columns, name)
            good = False
        elif name and name in names[:index]:
            faults.add(path, line, name, "the column stands twice")
            good = False
    return good
