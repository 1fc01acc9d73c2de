"""Reading a mapping file for a line: its tags, units and times checked, every fault told at once."""

import contextlib
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec

from ..readings import Tag
from ..readings.units import UnitError, affine
from .document import read_document
from .explain import validate
from .faults import Faults, nearest
from .models.mapping_file import MappingFile

FORMATS = ("iso", "seconds", "milliseconds")


class WideColumn(msgspec.Struct, frozen=True):
    """A column: its tag, and how a number in it becomes one in the tag's unit (``number * scale + offset``)."""

    tag: str
    scale: float
    offset: float
    on_change: bool


class WideMapping(msgspec.Struct, frozen=True):
    """How a wide table is read. `format` is one of `FORMATS` or for strptime; `zone` is an IANA name, "" for UTC."""

    time: str
    format: str
    zone: str
    separator: str
    decimal: str
    encoding: str
    no_value: frozenset[str]
    columns: dict[str, WideColumn]


def read_mapping(path: Path, tags: Mapping[str, Tag]) -> WideMapping:
    """The mapping, with every column's unit turned into its tag's. Raises ConfigurationError with every fault."""
    faults = Faults()
    document = read_document(path, faults)
    table = None if document is None else validate(MappingFile, document, (), document.data)
    if document is None or table is None:
        faults.raise_any(ADVICE)
    assert document is not None
    assert table is not None
    zone = table.time.zone or ""
    if zone:
        try:
            ZoneInfo(zone)
        except (ValueError, OSError, KeyError):
            document.fault(("time", "zone"), f"{zone!r} is no time zone; write its IANA name, such as Europe/Berlin")
    elif table.time.format not in FORMATS and "%z" not in table.time.format:
        document.fault(("time",), "times without an offset need a zone: that of the clock that wrote them")
    if table.time.format not in FORMATS and "%" not in table.time.format:
        document.fault(("time", "format"), f"{table.time.format!r} is no format", (*FORMATS, "%d.%m.%Y %H:%M:%S"))
    elif table.time.format not in FORMATS and not _can_be_read(table.time.format):
        document.fault(("time", "format"), f"{table.time.format!r} is no format: times written with it cannot be read back")
    try:
        with contextlib.suppress(UnicodeError):  # whether it is one for text is asked, not whether it takes this byte
            b"1".decode(table.encoding)
    except LookupError:
        document.fault(("encoding",), f"{table.encoding!r} is no encoding", ("utf-8", "latin-1", "cp1252"))
    if table.decimal == table.separator:
        document.fault(("decimal",), "decimal and separator are the same character")
    columns: dict[str, WideColumn] = {}
    taken: dict[str, str] = {}
    for name, column in table.column.items():
        tag = tags.get(column.tag)
        if tag is None:
            near = nearest(column.tag, tags)
            document.fault(("column", name, "tag"), f"the line has no tag {column.tag}", (near,) if near else (), column.tag)
            continue
        if column.tag in taken:
            document.fault(("column", name, "tag"), f"{column.tag} is that of the column {taken[column.tag]} already")
        taken[column.tag] = name
        try:
            scale, offset = affine(column.unit if column.unit is not None else tag.unit, tag.unit)
        except UnitError as error:
            document.fault(("column", name, "unit"), f"{error}; the tag {column.tag} is in {tag.unit or '1'}")
            continue
        columns[name] = WideColumn(column.tag, scale, offset, column.on_change)
    faults.raise_any(ADVICE)
    return WideMapping(
        time=table.time.column,
        format=table.time.format,
        zone=zone,
        separator=table.separator,
        decimal=table.decimal,
        encoding=table.encoding,
        no_value=frozenset(cell.strip() for cell in table.no_value),
        columns=columns,
    )


def _can_be_read(format_: str) -> bool:
    """Whether strptime takes the format: it names what it does not know only when it is used."""
    try:
        datetime.strptime(datetime(2026, 1, 31, 8, 15, tzinfo=UTC).strftime(format_), format_)  # noqa: DTZ007  only the format matters
    except (ValueError, re.error):
        return False
    return True


ADVICE = "Nothing was rehearsed. Correct the lines named above and run it again."
