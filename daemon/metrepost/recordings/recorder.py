"""Writing recordings: a bounded buffer, closed chunk by chunk into Parquet files that are whole or not there.

A chunk is written under a temporary name, flushed to the disk and renamed: whatever ends the process, every file that bears its
final name can be read. What the buffer or the disk could not take is counted, and stands in the next chunk.
"""

import asyncio
import os
import re
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import structlog

from ..readings import Input, Reading, Tick
from .rows import ACT, TICK, act_json, nanoseconds

CHUNK_SECONDS = 60.0
CHUNK_ROWS = 100_000
BUFFER = 400_000
"""Inputs that wait for the disk at most; beyond that the newest are dropped, and counted in the next chunk written, which lies before the
hole."""
PAUSE = 5.0
"""Seconds between two attempts at a disk that takes nothing."""
KEEP = 10_000_000_000
"""Bytes of chunks of one line at most; the oldest go first."""

log = structlog.get_logger("metrepost.recordings")
_STAMP = r"\d{8}T\d{12}Z-\d{6}"
_WORDS = pa.dictionary(pa.int32(), pa.string())
SCHEMA = pa.schema(
    [
        ("time", pa.timestamp("ns", tz="UTC")),
        ("tag", _WORDS),
        ("value", pa.float64()),
        ("quality", _WORDS),
        ("reason", _WORDS),
        ("time_uncertainty", pa.float64()),
        ("act", pa.string()),
    ]
)


class Recorder:
    """Records one line into `folder`. `run` writes chunks until cancelled; `close` writes what is left.

    `note` takes an input at once and never blocks. `rows`, `chunks`, `dropped` and `attempts` at a chunk count; `trouble` says why
    nothing is written.
    """

    def __init__(self, folder: Path, line: str, started: float, *, chunk: float = CHUNK_SECONDS, keep: int = KEEP) -> None:
        """`started` is line time (s); `chunk` is seconds of wall time in one file. Raises OSError when `folder` cannot be made."""
        folder.mkdir(parents=True, exist_ok=True)
        drafts = re.compile(rf"\.{re.escape(line)}-{_STAMP}\.parquet\.part")
        for file in folder.iterdir():  # of runs that were killed
            if drafts.fullmatch(file.name):
                file.unlink(missing_ok=True)
        self.folder = folder
        self._line = line
        self._stamp = datetime.fromtimestamp(started, UTC).strftime("%Y%m%dT%H%M%S%fZ")
        self._chunk, self._keep = chunk, keep
        self._waiting: list[Input] = []
        self._full = asyncio.Event()
        self._untold = 0
        self._writing = asyncio.Lock()
        self.rows = self.chunks = self.dropped = self.removed = self.attempts = 0
        self.trouble = ""

    def note(self, item: Input) -> None:
        """Take one input, in order of arrival."""
        if len(self._waiting) >= BUFFER:
            self.dropped += 1
            self._untold += 1
            return
        self._waiting.append(item)
        if len(self._waiting) >= CHUNK_ROWS:
            self._full.set()

    async def run(self) -> None:
        """Close a chunk each `chunk` seconds, or when it is full, for ever, until cancelled."""
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(self._chunk):
                    await self._full.wait()
            self._full.clear()
            await asyncio.shield(asyncio.create_task(self._flush()))
            if self.trouble:
                await asyncio.sleep(min(self._chunk, PAUSE))

    async def close(self) -> None:
        """Write what is left."""
        while self._waiting:
            await self._flush()
            if self.trouble:
                self.dropped += len(self._waiting)
                log.error("recording ends incomplete", line=self._line, dropped=self.dropped, trouble=self.trouble)
                return

    async def _flush(self) -> None:
        # a chunk that was begun when `run` was cancelled is finished before the next
        async with self._writing:
            await self._flush_one()

    async def _flush_one(self) -> None:
        items = self._waiting[:CHUNK_ROWS]
        if not items:
            return
        dropped = self._untold
        self.attempts += 1
        try:
            await asyncio.to_thread(self._write, items, self.chunks + 1, dropped)
        except OSError as error:
            if not self.trouble:
                log.error("recording", folder=str(self.folder), trouble=error.strerror)  # noqa: TRY400  the sentence says it all
            self.trouble = error.strerror or str(error)
            return
        self.trouble = ""
        self.chunks += 1
        self.rows += len(items)
        self._untold -= dropped
        del self._waiting[: len(items)]
        if len(self._waiting) >= CHUNK_ROWS:
            self._full.set()

    def _write(self, items: Sequence[Input], number: int, dropped: int) -> None:
        """One chunk, whole or not at all. Raises OSError."""
        name = f"{self._line}-{self._stamp}-{number:06d}.parquet"
        draft = self.folder / f".{name}.part"
        try:
            with draft.open("wb") as stream:
                pq.write_table(table_of(items, dropped, self._line), stream, compression="zstd")
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(draft, self.folder / name)
        except OSError:
            with suppress(OSError):
                draft.unlink(missing_ok=True)
            raise
        try:
            _sync_folder(self.folder)
            self._rotate()
        except OSError as error:  # the chunk is there all the same
            log.warning("old chunks stay", folder=str(self.folder), trouble=error.strerror)

    def _rotate(self) -> None:
        """Remove the oldest chunks of this line while all of them together are too large; never the newest, nor another's file."""
        ours = re.compile(rf"{re.escape(self._line)}-{_STAMP}\.parquet")
        chunks = sorted(file for file in self.folder.iterdir() if ours.fullmatch(file.name))
        sizes = [file.stat().st_size for file in chunks]
        total = sum(sizes)
        for file, size in zip(chunks[:-1], sizes[:-1], strict=True):
            if total <= self._keep:
                return
            file.unlink(missing_ok=True)
            total -= size
            self.removed += 1


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def table_of(items: Sequence[Input], dropped: int = 0, line: str = "") -> pa.Table:
    """Inputs as a table with the columns of a recording; `line` and what was `dropped` stand in its metadata."""
    rows = [_row(item) for item in items]
    columns = list(zip(*rows, strict=True)) if rows else [()] * len(SCHEMA)
    arrays = [pa.array(column, field.type) for column, field in zip(columns, SCHEMA, strict=True)]
    return pa.table(arrays, schema=SCHEMA.with_metadata({"metrepost.dropped": str(dropped), "metrepost.line": line}))


def _row(item: Input) -> tuple[int, str, float | None, str | None, str | None, float | None, str | None]:
    at = nanoseconds(item.time)
    if type(item) is Reading:
        return at, item.tag, item.value, item.quality.word, item.reason, item.time_uncertainty, None
    if type(item) is Tick:
        return at, TICK, None, None, None, None, None
    assert not isinstance(item, Reading | Tick)
    return at, ACT, None, None, None, None, act_json(item)
