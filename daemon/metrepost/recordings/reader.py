"""Reading recordings: a file, or a folder of chunks in order of their names; a survey finds every fault before anything is fed."""

import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq

from ..configuration.mapping import WideMapping
from ..readings import Input, Reading, Tick
from .faults import RecordingFaults
from .rows import COLUMNS, NEEDED, RowError, in_range, input_of, time_of
from .tick_maker import TickMaker
from .wide import UNREADABLE, wide_rows

SUFFIXES = (".parquet", ".csv")
BATCH = 8192
LONGEST_GAP = 86_400.0
"""Seconds between two rows at most: beyond that a recording is two recordings, or a time is wrong."""


class Row(NamedTuple):
    """A row with its place. `item` is None where `error` says what is wrong."""

    number: int
    item: Input | None
    error: RowError | None


class Survey(msgspec.Struct, frozen=True):
    """What a recording holds. `tags` counts readings by tag, `unreadable` the cells of a wide table that held no number; `hash` is over
    the bytes of all files; times are seconds."""

    files: int
    rows: int
    ticks: int
    acts: int
    first: float
    last: float
    tags: dict[str, int]
    hash: str
    dropped: int
    unreadable: dict[str, int]


class Recording:
    """A recording on disk; with a `mapping`, wide tables of a plant. Raises RecordingError when it cannot be used."""

    def __init__(self, path: Path, mapping: WideMapping | None = None) -> None:
        self.path = path
        self._mapping = mapping
        self.files = _files(path)
        self.survey = self._survey()

    def inputs(self) -> Iterator[Input]:
        """The inputs in order of arrival; where the recording holds no ticks, with those that its times make.

        Raises RecordingError when a file has gone since the survey.
        """
        maker = None if self.survey.ticks else TickMaker()
        faults = RecordingFaults()
        for file in self.files:
            for row in self._rows(file, faults):
                assert row.item is not None
                if maker is not None:
                    yield from maker.before(row.item.time)
                yield row.item
            faults.raise_any()  # it could be read a moment ago
        if maker is not None:
            yield from maker.rest()

    def _rows(self, file: Path, faults: RecordingFaults) -> Iterator[Row]:
        if self._mapping is None:
            yield from _parquet(file, faults) if file.suffix == ".parquet" else _csv(file, faults)
            return
        if file.suffix != ".csv":
            faults.add(file, 0, "", "a mapping is for wide tables", "a .csv file, or a folder of them")
            return
        for number, readings, error in wide_rows(file, self._mapping, faults):
            if error is not None:
                yield Row(number, None, error)
            for one in readings:
                yield Row(number, one, None)

    def _survey(self) -> Survey:
        faults = RecordingFaults()
        tags: Counter[str] = Counter()
        hashed = sha256()
        unreadable: Counter[str] = Counter()
        rows = ticks = acts = dropped = 0
        lines: set[str] = set()
        first = last = 0.0
        for file in self.files:
            for row in self._rows(file, faults):
                if row.error is not None:
                    faults.add(file, row.number, *row.error.wrong)
                    continue
                item = row.item
                assert item is not None
                rows += 1
                if type(item) is Reading:
                    tags[item.tag] += 1
                    unreadable[item.tag] += item.reason == UNREADABLE
                elif type(item) is Tick:
                    ticks += 1
                else:
                    acts += 1
                first = first or item.time
                if last and item.time - last > LONGEST_GAP:
                    faults.add(
                        file, row.number, "time", "more than a day after all rows before it", "two recordings, each by itself"
                    )
                last = max(last, item.time)
            if faults.count:
                continue
            if file.suffix == ".parquet":
                line, missing = _said(file)
                lines.add(line)
                dropped += missing
                if len(lines - {""}) > 1:
                    faults.add(file, 0, "", f"of line {line}, beside files of another line", "a folder for each line")
            if file.is_file():
                with file.open("rb") as stream:
                    while block := stream.read(1 << 20):
                        hashed.update(block)
        if not rows and not faults.count:
            faults.add(self.path, 0, "", "no rows", f"one row an input, with the columns {', '.join(NEEDED)}")
        faults.raise_any()
        told = dict(+unreadable)
        return Survey(len(self.files), rows, ticks, acts, first, last, dict(tags), hashed.hexdigest(), dropped, told)


def _files(path: Path) -> list[Path]:
    faults = RecordingFaults()
    files: list[Path] = []
    allowed = "a .parquet or .csv file, or a folder of them"
    if path.is_dir():
        try:
            files = sorted(f for f in path.iterdir() if f.suffix in SUFFIXES and not f.name.startswith("."))
        except OSError as error:
            faults.add(path, 0, "", f"cannot be read: {error.strerror}", allowed)
        if not files and not faults.count:
            faults.add(path, 0, "", "no recording in this folder", allowed)
    elif not path.exists():
        faults.add(path, 0, "", "there is no such file", allowed)
    elif path.suffix not in SUFFIXES:
        faults.add(path, 0, "", f"{path.suffix or 'no suffix'} tells no format", allowed)
    else:
        files = [path]
    faults.raise_any()
    return files


def _columns_fit(file: Path, names: Sequence[str], faults: RecordingFaults) -> bool:
    before = faults.count
    for name in NEEDED:
        if name not in names:
            faults.add(file, 0, name, "the column is missing", ", ".join(COLUMNS))
    for name in dict.fromkeys(names):
        if name not in COLUMNS:
            faults.add(file, 0, str(name), "no column of a recording", ", ".join(COLUMNS))
        elif names.count(name) > 1:
            faults.add(file, 0, name, "the column is there more than once", "each column once")
    return faults.count == before


def _csv(file: Path, faults: RecordingFaults) -> Iterator[Row]:
    try:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.reader(stream, strict=True)
            header = [name.strip() for name in next(reader, [])]
            if not _columns_fit(file, header, faults):
                return
            places = [header.index(name) if name in header else -1 for name in COLUMNS]
            for number, cells in enumerate(reader, 1):
                if len(cells) != len(header):
                    if cells:
                        error = RowError("", f"{len(cells)} cells", f"{len(header)}, as the header has")
                        yield Row(number, None, error)
                    continue
                at, tag, *others = (cells[p] if p >= 0 else "" for p in places)
                try:
                    yield Row(number, input_of(time_of(at), tag, *others), None)
                except RowError as error:
                    yield Row(number, None, error)
    except UnicodeDecodeError as error:
        faults.add(file, 0, "", f"not UTF-8: {error.reason}", "text in UTF-8")
    except csv.Error as error:
        faults.add(file, 0, "", f"no CSV: {error}", "comma-separated values, quotes doubled within quotes")
    except OSError as error:
        faults.add(file, 0, "", f"cannot be read: {error.strerror}")


def _parquet(file: Path, faults: RecordingFaults) -> Iterator[Row]:
    try:
        with pq.ParquetFile(file) as table:
            schema = table.schema_arrow
            if not (_columns_fit(file, schema.names, faults) and _types_fit(file, schema, faults)):
                return
            number = 0
            for batch in table.iter_batches(BATCH):
                for at, tag, *others in zip(*_lists(batch), strict=True):
                    number += 1
                    try:
                        if at is None or tag is None:
                            column = "time" if at is None else "tag"
                            raise RowError(column, "empty", "a value in every row")
                        yield Row(number, input_of(in_range(at), tag, *others), None)
                    except RowError as error:
                        yield Row(number, None, error)
    except (pa.ArrowException, OSError) as error:
        faults.add(file, 0, "", f"cannot be read as Parquet: {str(error).splitlines()[0]}", "a whole Parquet file")


def _types_fit(file: Path, schema: Any, faults: RecordingFaults) -> bool:
    before = faults.count
    numeric = "a number"
    for field in schema:
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        text = pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_null(kind)
        number = pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_null(kind)
        if field.name == "time":
            fits = pa.types.is_int64(kind) or (pa.types.is_timestamp(kind) and kind.tz in ("UTC", "+00:00", "Etc/UTC"))
            allowed = "a timestamp in UTC, or int64 of nanoseconds since 1970 UTC"
        elif field.name == "value":
            fits, allowed = text or number, f"{numeric}, or text that is one"
        elif field.name == "time_uncertainty":
            fits, allowed = number, numeric
        else:
            fits, allowed = text, "text"
        if not fits:
            faults.add(file, 0, field.name, f"the column is {field.type}", allowed)
    return faults.count == before


def _lists(batch: Any) -> list[list[Any]]:
    """The columns as lists in the order of COLUMNS; a column that is left out is all None."""
    lists: list[list[Any]] = []
    for name in COLUMNS:
        if name not in batch.schema.names:
            lists.append([None] * batch.num_rows)
            continue
        column = batch.column(name)
        if pa.types.is_timestamp(column.type):
            column = column.cast(pa.timestamp("ns", tz="UTC")).cast(pa.int64())
        lists.append(column.to_pylist())
    return lists


def _said(file: Path) -> tuple[str, int]:
    """The line a chunk is of ("" for a file that somebody else wrote), and the inputs that had to be dropped until it was written."""
    said = pq.read_schema(file).metadata or {}
    held = said.get(b"metrepost.dropped", b"0")
    return said.get(b"metrepost.line", b"").decode(errors="replace"), int(held) if held.isdigit() else 0
