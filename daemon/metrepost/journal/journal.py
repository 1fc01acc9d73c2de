"""The journal of one line: commits, cursors, present states and snapshots. Synchronous; one thread at a time.

A commit is one transaction with `synchronous = FULL`: when it returns, its rows outlive a power cut. Cursors are written with
`NORMAL`: the last ones may be lost in a power cut, which sends some rows twice, with equal ids.
"""

import sqlite3
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple, Self

import msgspec

from ..events import AlarmState, Event, LossEvent, ReelState, RollupOut
from ..publish import topics
from ..publish.cloudevents import STREAMS, Stream, envelope
from ..readings.moment import rfc3339
from . import epoch as epochs
from .database import check, connect, migrate, transaction
from .errors import JournalDamagedError, JournalError, told
from .export import Reader
from .lock import FolderLock
from .records import Item, Present, PresentState, Row, Snapshot, present
from .retention import Retention

TIDY_ROWS = 2_000
"""How many rows one pass of retention takes at most: it must not delay a commit."""
TIDY_EVERY = 1_000
"""Delivered rows between two passes."""


def _per_stream(statement: str) -> dict[Stream, str]:
    """One table a stream; names cannot be bound as parameters, so each statement is written out per stream, once."""
    return {s: statement.format(rows=f"{s}_row") for s in STREAMS}


_INSERT = _per_stream("INSERT INTO {rows} (sequence, time, total, topic, payload) VALUES (?, ?, ?, ?, ?)")
_PENDING = _per_stream("SELECT sequence, time, topic, payload FROM {rows} WHERE sequence > ? ORDER BY sequence LIMIT ?")
_TOTALS = _per_stream("SELECT sequence, total FROM {rows} WHERE sequence > ? ORDER BY sequence")
_TOTAL_AT = _per_stream("SELECT total FROM {rows} WHERE sequence = ?")
_DELETE = _per_stream("DELETE FROM {rows} WHERE sequence > ? AND sequence <= ?")
_OLD = _per_stream("SELECT sequence, time, total, length(payload) FROM {rows} WHERE sequence <= ? ORDER BY sequence LIMIT ?")
_CURSOR = "UPDATE stream SET last = ?, total = ?, delivered = ?, delivered_total = ?, lost = ? WHERE name = ?"


class Positions(NamedTuple):
    """Where a stream stands: last number given, last one delivered, and what waits in between (rows and payload bytes).

    `lost` counts rows that were declared lost or set aside since the epoch began.
    """

    last: int
    delivered: int
    lost: int
    waiting: int
    waiting_bytes: int


class Opening(NamedTuple):
    """What opening the journal found. `explanation` is a sentence for the ConfigurationEvent that tells of a new epoch."""

    epoch: str
    new_epoch: bool
    previous_epoch: str = ""
    previous_last: dict[Stream, int] = {}  # noqa: RUF012 a NamedTuple's default, never changed
    set_aside: Path | None = None
    explanation: str = ""


class _Position(msgspec.Struct):
    """A stream while a transaction works on it."""

    last: int
    total: int
    delivered: int
    delivered_total: int
    lost: int


class Journal:
    """An open journal. Make it with `Journal.open`."""

    def __init__(self, file: Path, connection: sqlite3.Connection, lock: FolderLock, source: str, retention: Retention) -> None:
        self.file = file
        self.line = file.stem
        self.source = source
        self.retention = retention
        self.now: Callable[[], float] = time.time
        self.oversize = 0
        self._connection = connection
        self._lock = lock
        self._since_tidy = 0
        self._streams: dict[Stream, _Position] = {}
        self._version = 0
        self.epoch = ""
        self.opening = Opening("", new_epoch=False)

    @classmethod
    def open(
        cls,
        folder: Path,
        line: str,
        *,
        source: str,
        retention: Retention | None = None,
        now: Callable[[], float] = time.time,
    ) -> Self:
        """Open or make the journal of `line` in `folder`; `source` is `LinePlan.source`, `now` gives line time.

        A damaged file is renamed and a new epoch begun; `opening` of the result tells so. Raises JournalError when another
        daemon holds the folder, or when it cannot be written, and JournalFullError when there is no room.
        """
        file = folder / f"{line}.sqlite"
        with told(file, "making the state folder"):
            folder.mkdir(parents=True, exist_ok=True)
        lock = FolderLock(folder, line)
        try:
            return cls._open(file, lock, source, retention or Retention(), now)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def _open(cls, file: Path, lock: FolderLock, source: str, retention: Retention, now: Callable[[], float]) -> Self:
        aside, damage, before = None, "", epochs.Before()
        try:
            connection = cls._sound(file)
        except JournalDamagedError as error:
            before = epochs.before(file)
            stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(now()))
            with told(file, "setting it aside"):
                aside, damage = epochs.set_aside(file, stamp), str(error)
            connection = cls._sound(file)
        try:
            journal = cls(file, connection, lock, source, retention)
            journal.now = now
            made = journal._begin_epoch(before)
            journal._reload()
        except BaseException:
            connection.close()
            raise
        explanation = ""
        if aside is not None:
            numbers = ", ".join(f"{s} {n}" for s, n in before.last.items()) or "unknown"
            explanation = (
                f"{damage}. It was set aside as {aside.name}; a new epoch begins. "
                f"Epoch before: {before.epoch or 'unknown'}, last numbers at least: {numbers}"
            )
        elif made:
            explanation = "a new journal was made"
        journal.opening = Opening(journal.epoch, made, before.epoch, before.last, aside, explanation)
        journal._note()
        return journal

    @staticmethod
    def _sound(file: Path) -> sqlite3.Connection:
        with told(file, "opening it"):
            connection = connect(file)
        try:
            check(connection, file)
            migrate(connection, file)
        except BaseException:
            connection.close()
            raise
        return connection

    def _begin_epoch(self, before: epochs.Before) -> bool:
        with told(self.file, "reading its epoch"):
            row = self._connection.execute("SELECT name FROM epoch").fetchone()
        if row is not None:
            self.epoch = row[0]
            return False
        name = epochs.new_epoch()
        with transaction(self._connection, self.file, "beginning an epoch"):
            self._connection.execute(
                "INSERT INTO epoch VALUES (?, ?, ?, ?, ?)",
                (name, self.now(), before.epoch, before.last.get("event"), before.last.get("rollup")),
            )
            self._connection.executemany("INSERT INTO stream VALUES (?, 0, 0, 0, 0, 0)", [(s,) for s in STREAMS])
        self.epoch = name
        return True

    def _reload(self) -> None:
        """Take the positions from the file: at start, and after an error that may have left doubt about what was written."""
        with told(self.file, "reading positions"):
            rows = self._connection.execute("SELECT name, last, total, delivered, delivered_total, lost FROM stream").fetchall()
            self._streams = {name: _Position(*numbers) for name, *numbers in rows}
            (self._version,) = self._connection.execute("SELECT coalesce(max(version), 0) FROM present").fetchone()

    def close(self) -> None:
        """Fold the write-ahead log into the file, close it and give the state folder back. Never raises for a full disk."""
        self._note()
        with suppress(sqlite3.Error):  # on failure the log stays beside the file and is read at the next start
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._connection.close()
        self._lock.release()

    def _note(self) -> None:
        epochs.note(self.file, self.epoch, {s: p.last for s, p in self._streams.items()})

    # ---- commits ------------------------------------------------------------------------------------------------------

    def commit(self, batch: Sequence[Item]) -> list[Row]:
        """Write a batch whole, in one transaction, and return its numbered rows in order (loss events it caused included).

        Raises JournalFullError when there is no room: then nothing was written and no number was given away.
        """
        return self._write(batch)

    def _write(self, batch: Sequence[Item], skip: tuple[Stream, int] | None = None) -> list[Row]:
        streams = {s: msgspec.structs.replace(p) for s, p in self._streams.items()}
        version = self._version
        rows: list[Row] = []
        try:
            with transaction(self._connection, self.file, "committing"):
                if skip is not None:
                    stream, sequence = skip
                    position = streams[stream]
                    position.delivered, position.delivered_total = sequence, self._total_at(stream, sequence, position)
                    position.lost += 1
                for item in batch:
                    match item:
                        case Event() | RollupOut():
                            rows.append(self._append(streams, item))
                        case Snapshot():
                            self._connection.execute(
                                "INSERT INTO snapshot VALUES (?, ?, ?) "
                                "ON CONFLICT (name) DO UPDATE SET time = excluded.time, data = excluded.data",
                                (item.name, self.now(), item.data),
                            )
                        case AlarmState() | ReelState() | Present():
                            topic, payload = present(item)
                            if len(payload) > self.retention.payload_bytes:
                                rows.append(self._too_large(streams, "event", topic, len(payload)))
                            else:
                                version += self._upsert(topic, payload, version + 1)
                        case _:
                            raise TypeError(f"{type(item).__name__} cannot be journalled")
                rows.extend(self._make_room(streams))
                for stream, position in streams.items():
                    if position != self._streams[stream]:
                        self._save(stream, position)
        except JournalError:
            self._reload_if_sound()
            raise
        self._streams, self._version = streams, version
        return rows

    def _append(self, streams: dict[Stream, _Position], item: Event | RollupOut) -> Row:
        stream: Stream = "event" if isinstance(item, Event) else "rollup"
        topic = topics.event(item) if isinstance(item, Event) else topics.rollup(item.data)
        position = streams[stream]
        sequence = position.last + 1
        payload = envelope(item, stream, self.epoch, sequence, self.source)
        if len(payload) > self.retention.payload_bytes:
            return self._too_large(streams, stream, topic, len(payload))
        position.last = sequence
        position.total += len(payload)
        self._connection.execute(_INSERT[stream], (sequence, item.time, position.total, topic, payload))
        return Row(stream, self.epoch, sequence, item.time, topic, payload)

    def _too_large(self, streams: dict[Stream, _Position], stream: Stream, topic: str, size: int) -> Row:
        """Declare an item that is refused at the door: no broker would take it, and it would hold up all behind it."""
        self.oversize += 1
        reason = f"{topic}: {size} bytes are above the limit of {self.retention.payload_bytes}; it was not numbered"
        return self._append(streams, self._loss(stream, 0, 0, 1, reason))

    def _loss(self, stream: Stream, first: int, last: int, count: int, reason: str) -> Event:
        now = self.now()
        loss = LossEvent(
            stream=stream, epoch=self.epoch, first=first, last=last, count=count, reason=reason[:500], decided=rfc3339(now)
        )
        return Event(now, loss)

    def _upsert(self, topic: str, payload: bytes, version: int) -> int:
        """Returns how many rows changed: an unchanged state keeps its version and is not sent again."""
        return self._connection.execute(
            "INSERT INTO present (topic, version, payload) VALUES (?, ?, ?) ON CONFLICT (topic) DO UPDATE "
            "SET version = excluded.version, payload = excluded.payload WHERE payload IS NOT excluded.payload",
            (topic, version, payload),
        ).rowcount

    def _make_room(self, streams: dict[Stream, _Position]) -> Iterator[Row]:
        """Let the oldest undelivered rows go when they are too many, rollups before events, and declare each range."""
        excess = self.retention.excess(sum(p.total - p.delivered_total for p in streams.values()))
        losses: list[Event] = []
        for stream in ("rollup", "event"):
            position = streams[stream]
            first, before, gone = position.delivered + 1, position.delivered_total, 0
            if excess <= 0 or position.last < first:
                continue
            for sequence, total in self._connection.execute(_TOTALS[stream], (position.delivered,)):
                gone += 1
                position.delivered, position.delivered_total = sequence, total
                if total - before >= excess:
                    break
            excess -= position.delivered_total - before
            position.lost += gone
            self._connection.execute(_DELETE[stream], (first - 1, position.delivered))
            reason = f"undelivered rows had more than {self.retention.undelivered_bytes} bytes"
            losses.append(self._loss(stream, first, position.delivered, gone, reason))
        for loss in losses:
            yield self._append(streams, loss)

    def _save(self, stream: Stream, position: _Position) -> None:
        self._connection.execute(
            _CURSOR,
            (position.last, position.total, position.delivered, position.delivered_total, position.lost, stream),
        )

    def _reload_if_sound(self) -> None:
        with suppress(JournalError):  # the error that led here says more; positions stay as they were before
            self._reload()

    # ---- outbox -------------------------------------------------------------------------------------------------------

    def positions(self, stream: Stream) -> Positions:
        """Where a stream stands. Safe to call from another thread."""
        p = self._streams[stream]
        return Positions(p.last, p.delivered, p.lost, p.last - p.delivered, p.total - p.delivered_total)

    def held(self, stream: Stream, after: int, limit: int) -> list[Row]:
        """Rows after a number in order, delivered or not, as far as retention has left them."""
        with told(self.file, "reading rows"):
            found = self._connection.execute(_PENDING[stream], (after, limit)).fetchall()
        return [Row(stream, self.epoch, sequence, moment, topic, payload) for sequence, moment, topic, payload in found]

    def pending(self, stream: Stream, limit: int, after: int | None = None, max_bytes: int = 8_000_000) -> list[Row]:
        """The next undelivered rows in order, at most `limit`, and about `max_bytes` (at least one). `after` skips rows that
        were taken already; the cursor counts when it is further on.
        """
        start = max(self._streams[stream].delivered, after or 0)
        rows: list[Row] = []
        size = 0
        with told(self.file, "reading the outbox"):
            for sequence, moment, topic, payload in self._connection.execute(_PENDING[stream], (start, limit)):
                rows.append(Row(stream, self.epoch, sequence, moment, topic, payload))
                size += len(payload)
                if size >= max_bytes:
                    break
        return rows

    def delivered(self, stream: Stream, upto: int) -> None:
        """The broker has every row up to `upto`. Going back, or past the last row, changes nothing."""
        position = self._streams[stream]
        if not position.delivered < upto <= position.last:
            return
        with told(self.file, "moving the cursor"):
            total = self._total_at(stream, upto, position)
        moved = msgspec.structs.replace(position, delivered=upto, delivered_total=total)
        with self._lightly(), transaction(self._connection, self.file, "moving the cursor"):
            self._save(stream, moved)
        self._streams[stream] = moved
        self._since_tidy += moved.delivered - position.delivered
        if self._since_tidy >= TIDY_EVERY:
            self.tidy()

    def _total_at(self, stream: Stream, sequence: int, position: _Position) -> int:
        row = self._connection.execute(_TOTAL_AT[stream], (sequence,)).fetchone()
        return position.delivered_total if row is None else int(row[0])

    def _lightly(self) -> "_Lightly":
        return _Lightly(self._connection, self.file)

    def set_aside(self, stream: Stream, sequence: int, reason: str) -> list[Row]:
        """Pass the next undelivered row over: the broker will not take it. It stays for `export`; a loss event declares it.

        Returns the rows committed. Raises ValueError when `sequence` is not the next undelivered row.
        """
        if sequence != self._streams[stream].delivered + 1:
            raise ValueError(f"row {sequence} of {stream} is not the next undelivered one")
        return self._write([self._loss(stream, sequence, sequence, 1, reason)], skip=(stream, sequence))

    def tidy(self) -> int:
        """Take delivered rows that retention does not keep, at most 2 000 a stream; returns how many went."""
        self._since_tidy = 0
        gone = 0
        with self._lightly(), transaction(self._connection, self.file, "taking old rows"):
            for stream, position in self._streams.items():
                gone += self._tidy(stream, position)
        self._note()
        return gone

    def _tidy(self, stream: Stream, position: _Position) -> int:
        keep = self.retention
        oldest = self.now() - keep.keep_seconds
        last, count = 0, 0
        for sequence, moment, total, size in self._connection.execute(_OLD[stream], (position.delivered, TIDY_ROWS)):
            kept_bytes = position.delivered_total - total + size
            if position.delivered - sequence < keep.keep_rows and kept_bytes <= keep.keep_bytes and moment >= oldest:
                break
            last = sequence
            count += 1
        if count:
            self._connection.execute(_DELETE[stream], (0, last))
        return count

    # ---- present states and snapshots -----------------------------------------------------------------------------------

    def states(self, since: int = 0) -> list[PresentState]:
        """Present states that changed after version `since`, oldest change first; those to be cleared have no payload."""
        with told(self.file, "reading states"):
            rows = self._connection.execute(
                "SELECT topic, payload, version FROM present WHERE version > ? ORDER BY version", (since,)
            ).fetchall()
        return [PresentState(*row) for row in rows]

    def forget_state(self, state: PresentState) -> None:
        """The broker has cleared this topic. Nothing happens when it was set anew meanwhile."""
        with self._lightly(), transaction(self._connection, self.file, "forgetting a state"):
            self._connection.execute(
                "DELETE FROM present WHERE topic = ? AND version = ? AND payload = x''", (state.topic, state.version)
            )

    def keep_alarms(self, known: Collection[str]) -> list[str]:
        """Clear the retained topics of alarms that are gone. `known` holds the ids (``rule.limit``) of all that exist.

        Returns the topics that will be cleared.
        """
        keep = {topics.alarm_of(alarm) for alarm in known}
        gone = [s.topic for s in self.states() if s.topic.startswith("alarm/") and s.payload and s.topic not in keep]
        version = self._version
        with transaction(self._connection, self.file, "clearing alarms that are gone"):
            for topic in gone:
                version += self._upsert(topic, b"", version + 1)
        self._version = version
        return gone

    def snapshot(self, name: str) -> bytes | None:
        """The latest snapshot of that name, or None."""
        with told(self.file, "reading a snapshot"):
            row: Any = self._connection.execute("SELECT data FROM snapshot WHERE name = ?", (name,)).fetchone()
        return None if row is None else bytes(row[0])

    def export(self, stream: Stream, after: str | None = None, limit: int | None = None) -> Iterator[Row]:
        """Rows in order, on a connection of its own: see `Reader.export`."""
        with Reader(self.file.parent, self.line) as reader:
            yield from reader.export(stream, after, limit)


class _Lightly:
    """Cursors need no fsync of their own: losing the last ones only sends rows again."""

    def __init__(self, connection: sqlite3.Connection, file: Path) -> None:
        self._connection = connection
        self._file = file

    def __enter__(self) -> None:
        with told(self._file, "moving the cursor"):
            self._connection.execute("PRAGMA synchronous = NORMAL")

    def __exit__(self, *_: object) -> None:
        self._connection.execute("PRAGMA synchronous = FULL")
