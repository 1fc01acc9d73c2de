"""The file of a point sheet in the state folder: read whole, written whole, never half."""

import fcntl
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import msgspec

from ..journal.errors import JournalError, told
from .model import FORMAT, Book, Record

_DOING = "keeping the point sheet"


def file_of(folder: Path, line: str) -> Path:
    """Where the point sheet of a line is kept."""
    return folder / f"{line}.points.json"


def load(folder: Path, line: str) -> Book:
    """The history of a line; an empty one when nothing was kept yet. Raises JournalError when the file cannot be used."""
    file = file_of(folder, line)
    with told(file, "reading the point sheet"):
        try:
            data = file.read_bytes()
        except FileNotFoundError:
            return Book(line=line)
    try:
        book = msgspec.json.decode(data, type=Book)
    except msgspec.DecodeError as error:
        raise JournalError(
            f"{file} is no point sheet of this version ({error}). It is left as it is: "
            "put back a copy of it, or move it away to begin anew"
        ) from error
    if book.line != line or book.format != FORMAT:
        raise JournalError(
            f"{file} is the point sheet of line {book.line!r}, format {book.format}; "
            f"line {line!r}, format {FORMAT} is expected. Put the right file there, or move this one away"
        )
    return book


def add(folder: Path, line: str, records: Sequence[Record]) -> Book:
    """Add records behind what the file holds by now and put it on the disk; the new history. Raises JournalError.

    Two people may work on one sheet: the file is read again under a lock, so that neither loses what the other wrote.
    """
    file = file_of(folder, line)
    with told(file, _DOING):
        folder.mkdir(parents=True, exist_ok=True)
        with _alone(file):
            book = load(folder, line)
            book = msgspec.structs.replace(book, records=(*book.records, *records))
            replace(file, msgspec.json.format(msgspec.json.encode(book), indent=1) + b"\n")
    return book


def replace(file: Path, data: bytes) -> None:
    """Put `data` in the place of a file. Whatever ends the process or the power, the file is the old one or the new one, whole.

    Raises OSError; the old file then stands as it was.
    """
    new = file.with_name(file.name + ".new")
    try:
        with new.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        new.replace(file)
    except OSError:
        new.unlink(missing_ok=True)
        raise
    handle = os.open(file.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)  # the new name is durable only with its folder
    finally:
        os.close(handle)


@contextmanager
def _alone(file: Path) -> Iterator[None]:
    handle = os.open(file.with_name(file.name + ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
