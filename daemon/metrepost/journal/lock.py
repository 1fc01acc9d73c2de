"""One daemon for one state folder: a lock on a file that tells who holds it."""

import fcntl
import os
from pathlib import Path
from typing import ClassVar

from .errors import JournalError, told

NAME = "metrepost.lock"


class FolderLock:
    """Holds a state folder for this process; several lines of one daemon share it.

    The kernel drops the lock when the process ends, however it ends, so a stale file never keeps a daemon out.
    """

    _held: ClassVar[dict[Path, tuple[int, set[str]]]] = {}

    def __init__(self, folder: Path, line: str) -> None:
        """Take the folder. Raises JournalError when another process holds it, or this one already has `line` open."""
        self._folder = folder.resolve()
        self._line = line
        file = folder / NAME
        if self._folder in self._held:
            lines = self._held[self._folder][1]
            if line in lines:
                raise JournalError(f"line {line!r} is already open in {folder}: one daemon opens a line once")
            lines.add(line)
            return
        with told(file, "taking the state folder"):
            handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(handle, 100, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(handle)
            raise JournalError(
                f"another daemon (process {holder}) works on the state folder {folder}. "
                "End it first, or give this one a state folder of its own"
            ) from error
        with told(file, "taking the state folder"):
            try:
                os.ftruncate(handle, 0)
                os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
            except OSError:
                os.close(handle)
                raise
        self._held[self._folder] = (handle, {line})

    def release(self) -> None:
        """Give the folder back, once the last line is closed."""
        handle, lines = self._held.get(self._folder, (-1, set()))
        if self._line not in lines:
            return
        lines.discard(self._line)
        if not lines:
            del self._held[self._folder]
            os.close(handle)  # the file stays: unlinking it would race with a daemon that waits for it


def holder(folder: Path) -> int | None:
    """The process that holds a state folder; None when none does. Raises JournalError when the folder cannot be read."""
    file = folder / NAME
    with told(file, "asking who holds the state folder"):
        try:
            handle = os.open(file, os.O_RDONLY | os.O_CLOEXEC)
        except FileNotFoundError:
            return None
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            holder_says = os.pread(handle, 100, 0).decode("ascii", "replace").strip()
            if not holder_says.isdigit():
                raise JournalError(f"another daemon is just taking the state folder {folder}; ask again") from None
            return int(holder_says)
        finally:
            os.close(handle)  # gives the lock back too
    return None
