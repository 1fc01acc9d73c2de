"""What can go wrong with the journal, in sentences that say what to do."""

import errno
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

LITTLE_SPACE = 1_000_000
"""With less free than this (bytes), an I/O error of SQLite is told as a full disk: that is what it nearly always is."""


class JournalError(Exception):
    """The journal cannot be opened or written. The message names the file and says what to do."""


class JournalFullError(JournalError):
    """There is no room. Nothing of the batch was written and no number was given away; try again when there is room."""


class JournalDamagedError(JournalError):
    """The file is no longer a sound database. Opening it again sets it aside and begins a new epoch."""


@contextmanager
def told(file: Path, doing: str) -> Iterator[None]:
    """Turn errors of SQLite and the file system into JournalError. `doing` completes "while …"."""
    try:
        yield
    except sqlite3.Error as error:
        raise _journal_error(file, doing, error) from error
    except OSError as error:
        raise _from_os(file, doing, error) from error


def _journal_error(file: Path, doing: str, error: sqlite3.Error) -> JournalError:
    name = getattr(error, "sqlite_errorname", "")
    if name in {"SQLITE_CORRUPT", "SQLITE_NOTADB"} or name.startswith("SQLITE_CORRUPT_"):
        return JournalDamagedError(
            f"{file} is damaged ({error}), found while {doing}. Restart the daemon: it sets the file aside and begins a new epoch"
        )
    if name == "SQLITE_FULL" or (name.startswith("SQLITE_IOERR") and _free(file) < LITTLE_SPACE):
        return JournalFullError(
            f"no room for {file} while {doing}: {_free(file) / 1e6:.1f} MB free. Nothing of this was written. "
            "Make room on the disk, or let the journal keep less"
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return JournalError(
            f"{file} cannot be written ({error}) while {doing}. "
            f"Give the user of the daemon write access to {file.parent} and all files in it, or name another state folder"
        )
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return JournalError(
            f"{file} is locked by another program while {doing}: end that program; nothing but the daemon may write here"
        )
    return JournalError(f"{file} failed while {doing}: {error} ({name or 'SQLite'}). Check the disk and its file system")


def _from_os(file: Path, doing: str, error: OSError) -> JournalError:
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return JournalFullError(f"no room for {file} while {doing}. Make room on the disk")
    if error.errno in {errno.EACCES, errno.EPERM, errno.EROFS}:
        return JournalError(
            f"{file} cannot be written while {doing}: {error.strerror}. "
            f"Give the user of the daemon write access to {file.parent}, or name another state folder"
        )
    return JournalError(f"{file} failed while {doing}: {error.strerror or error}. Name a state folder on a local disk")


def _free(file: Path) -> int:
    try:
        return shutil.disk_usage(file.parent).free
    except OSError:
        return 0
