"""The SQLite file: how it is opened, its schema and the migrations that lead to it."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from .errors import JournalDamagedError, JournalError, told

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        # `total` is the running sum of payload bytes of the stream: the size of any range is a difference of two rows.
        # The payload stands last, so that reading the other columns never touches its overflow pages.
        """CREATE TABLE event_row (sequence INTEGER PRIMARY KEY, time REAL NOT NULL, total INTEGER NOT NULL,
           topic TEXT NOT NULL, payload BLOB NOT NULL)""",
        """CREATE TABLE rollup_row (sequence INTEGER PRIMARY KEY, time REAL NOT NULL, total INTEGER NOT NULL,
           topic TEXT NOT NULL, payload BLOB NOT NULL)""",
        # `delivered` is the cursor: every row up to it was acknowledged, declared lost or set aside.
        """CREATE TABLE stream (name TEXT PRIMARY KEY, last INTEGER NOT NULL, total INTEGER NOT NULL,
           delivered INTEGER NOT NULL, delivered_total INTEGER NOT NULL, lost INTEGER NOT NULL)""",
        """CREATE TABLE epoch (name TEXT PRIMARY KEY, made REAL NOT NULL, previous TEXT NOT NULL,
           previous_event INTEGER, previous_rollup INTEGER)""",
        "CREATE TABLE present (topic TEXT PRIMARY KEY, version INTEGER NOT NULL, payload BLOB NOT NULL)",
        "CREATE INDEX present_version ON present (version)",
        "CREATE TABLE snapshot (name TEXT PRIMARY KEY, time REAL NOT NULL, data BLOB NOT NULL)",
    ),
)
"""Each entry leads from one version to the next and is never changed once released: add a new one."""

WAL_LIMIT = 64_000_000


def connect(file: Path, *, read_only: bool = False) -> sqlite3.Connection:
    """A connection in autocommit mode: transactions are begun by `transaction`. May be used from any one thread at a time."""
    mode = "ro" if read_only else "rwc"
    connection = sqlite3.connect(
        f"{file.absolute().as_uri()}?mode={mode}", uri=True, isolation_level=None, check_same_thread=False, timeout=5.0
    )
    if not read_only:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT}")
        except sqlite3.Error:
            connection.close()
            raise
    return connection


def check(connection: sqlite3.Connection, file: Path) -> None:
    """Raise JournalDamagedError when the file is no sound database. Reads the whole file."""
    with told(file, "checking it"):
        (answer,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if answer != "ok":
            raise JournalDamagedError(f"{file} is damaged: {answer}")


@contextmanager
def transaction(connection: sqlite3.Connection, file: Path, doing: str) -> Iterator[None]:
    """All or nothing. Raises JournalError."""
    with told(file, doing):
        try:
            # BEGIN belongs inside: on a full disk or a damaged file it may be the statement that fails
            connection.execute("BEGIN IMMEDIATE")
            yield
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:  # SQLite has rolled back by itself after some errors
                connection.execute("ROLLBACK")
            raise


def migrate(connection: sqlite3.Connection, file: Path, migrations: Sequence[Sequence[str]] = MIGRATIONS) -> int:
    """Bring the schema up to date, each step in one transaction with the row that records it. Returns the version."""
    with transaction(connection, file, "reading its version"):
        connection.execute("CREATE TABLE IF NOT EXISTS migration (version INTEGER PRIMARY KEY, applied TEXT NOT NULL)")
        (version,) = connection.execute("SELECT coalesce(max(version), 0) FROM migration").fetchone()
    if version > len(migrations):
        raise JournalError(
            f"{file} was written by a newer version of the daemon (schema {version}, known up to {len(migrations)}). "
            "Install that version again, or give this one a state folder of its own"
        )
    for number in range(version + 1, len(migrations) + 1):
        with transaction(connection, file, f"bringing it to schema {number}"):
            for statement in migrations[number - 1]:
                connection.execute(statement)
            connection.execute("INSERT INTO migration VALUES (?, datetime('now'))", (number,))
    return len(migrations)
