"""Rows in order, for consumers that ask again. Reads beside a running daemon, on a connection of its own."""

import re
from collections.abc import Iterator
from pathlib import Path

from ..publish.cloudevents import STREAMS, Stream
from .database import connect
from .errors import JournalError, told
from .records import Row

CHUNK = 500
"""Rows a read transaction: a long one would keep the daemon from emptying its write-ahead log."""

_AFTER = re.compile(r"([a-z2-7]{12}):([0-9]{1,20})")

# one table a stream; names cannot be bound as parameters, so each statement is written out per stream, once
_READ = {s: f"SELECT sequence, time, topic, payload FROM {s}_row WHERE sequence > ? ORDER BY sequence LIMIT ?" for s in STREAMS}  # noqa: S608
_NEWEST = {s: f"SELECT max(sequence) FROM {s}_row" for s in STREAMS}  # noqa: S608
_OLDEST = {s: f"SELECT min(sequence) FROM {s}_row" for s in STREAMS}  # noqa: S608


class Reader:
    """A journal opened for reading only. A context manager."""

    def __init__(self, folder: Path, line: str) -> None:
        """Raises JournalError when there is no journal of that line in `folder`, or it cannot be read."""
        self.file = folder / f"{line}.sqlite"
        if not self.file.is_file():
            there = sorted(p.stem for p in folder.glob("*.sqlite")) if folder.is_dir() else []
            raise JournalError(
                f"{folder} holds no journal of line {line!r}; it holds {', '.join(there) or 'none'}. Name the state folder"
            )
        with told(self.file, "opening it to read"):
            self._connection = connect(self.file, read_only=True)
            row = self._connection.execute("SELECT name, previous FROM epoch").fetchone()
        if row is None:
            self._connection.close()
            raise JournalError(f"{self.file} is empty: no daemon has run on it yet")
        self.epoch, self._previous = row

    def __enter__(self) -> "Reader":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def oldest(self, stream: Stream) -> int | None:
        """The oldest row still kept, or None."""
        with told(self.file, "reading"):
            (oldest,) = self._connection.execute(_OLDEST[stream]).fetchone()
        return oldest if oldest is None else int(oldest)

    def last(self, stream: Stream) -> int:
        """The number of the newest row that is kept, 0 when there is none."""
        with told(self.file, "reading"):
            (newest,) = self._connection.execute(_NEWEST[stream]).fetchone()
        return int(newest or 0)

    def export(self, stream: Stream, after: str | None = None, limit: int | None = None) -> Iterator[Row]:
        """Rows after ``EPOCH:N`` in order, delivered or not; all that are kept when `after` is None.

        Raises JournalError when the epoch is not this journal's.
        """
        position = self._position(after)
        left = limit
        while left is None or left > 0:
            take = CHUNK if left is None else min(CHUNK, left)
            with told(self.file, "reading"):
                rows = self._connection.execute(_READ[stream], (position, take)).fetchall()
            for sequence, time, topic, payload in rows:
                yield Row(stream, self.epoch, sequence, time, topic, payload)
            if len(rows) < take:
                return
            position = rows[-1][0]
            left = None if left is None else left - len(rows)

    def _position(self, after: str | None) -> int:
        if after is None:
            return 0
        match = _AFTER.fullmatch(after)
        if match is None:
            raise JournalError(
                f"{after!r} is no position: write EPOCH:NUMBER, such as {self.epoch}:1041 (both stand in each id)"
            )
        if match[1] != self.epoch:
            of = "the epoch before, whose file was set aside as damaged" if match[1] == self._previous else "another journal"
            raise JournalError(
                f"epoch {match[1]} is of {of}; this one is {self.epoch}. Leave the position out to read it from its beginning"
            )
        return int(match[2])
