"""The sheet as CSV (RFC 4180), one row a point, numbers in full."""

import csv
from collections.abc import Iterator
from typing import Protocol

from .model import Trial
from .sheet import Row, Sheet

COLUMNS = (
    "tag", "endpoint", "address", "source", "decoding", "scale", "offset", "unit", "valid_low", "valid_high", "clears_on_read",
    "state", "reference", "value", "difference", "allowed", "quality", "raw", "by", "at", "reason", "remark",
    "value_before", "at_before", "changed", "trials",
)  # fmt: skip


class Writes(Protocol):
    """Whatever takes text."""

    def write(self, text: str, /) -> object:
        """Take a piece of text."""


def write_csv(sheet: Sheet, out: Writes) -> None:
    """Write header and rows."""
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    rows.writerows([_cell(value) for value in _cells(row)] for row in sheet.rows)


def _cells(row: Row) -> Iterator[object]:
    p, last = row.point, row.last
    tried = last if isinstance(last, Trial) else None
    yield from (p.tag, p.endpoint, p.address, p.place, p.decoding, p.scale, p.offset, p.unit, p.valid_low, p.valid_high)
    yield from (p.clears_on_read, row.state)
    if tried:
        yield from (tried.reference, tried.value, tried.difference, tried.allowed, tried.quality, tried.raw)
    else:
        yield from [None] * 6
    yield from (last.by, last.at) if last else (None, None)
    yield tried.reason if tried else None
    yield last.remark if last else None
    yield from (row.before.value, row.before.at) if row.before else (None, None)
    yield from ("; ".join(row.changed), row.trials)


def _cell(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else repr(value) if isinstance(value, float) else str(value)
