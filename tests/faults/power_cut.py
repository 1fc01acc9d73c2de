"""What a power cut would leave: the system calls of a daemon under `strace`, and the files that each prefix of them makes durable.

A write counts from its beginning and is durable only once a later sync of its file has ended; a PUBLISH counts from its beginning. So a
row that was told is asked of the disk at the earliest moment at which it could have been heard.
"""

import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

STRACE = (
    "strace", "-f", "--seccomp-bpf", "-xx", "-s", "4000000", "-e", "signal=none",
    "-e", "trace=openat,close,pwrite64,ftruncate,fsync,fdatasync,unlink,sendto,sendmsg,write",
)  # fmt: skip
ID = re.compile(rb"(event|rollup)-([a-z2-7]{12})-(\d{20})")
_LINE = re.compile(r"^(\d+) +(.*)$")
_CALL = re.compile(r"^(\w+)\((.*)\) += (-?\d+)")
_RESUMED = re.compile(r"^<\.\.\. (\w+) resumed>(.*)$")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


class Write(NamedTuple):
    """Bytes at an offset of a file; `data` None: the file is cut to `offset`."""

    file: str
    offset: int
    data: bytes | None


class Sync(NamedTuple):
    """Everything written to the file before is durable."""

    file: str


class Gone(NamedTuple):
    """The file was removed."""

    file: str


class Told(NamedTuple):
    """A row went out to the broker."""

    stream: str
    sequence: int


Operation = Write | Sync | Gone | Told


def operations(trace: Path, folder: Path) -> Iterator[Operation]:
    """What happened to the SQLite files in `folder`, and which rows were sent, in order."""
    open_files: dict[int, str] = {}
    begun: dict[str, str] = {}
    for raw in trace.read_text(errors="replace").splitlines():
        line = _LINE.match(raw)
        if line is None:
            continue
        thread, text = line[1], line[2]
        if text.endswith("<unfinished ...>"):
            begun[thread] = text.removesuffix("<unfinished ...>").rstrip()
            yield from _begun(begun[thread], open_files)
            continue
        resumed = _RESUMED.match(text)
        whole = begun.pop(thread, "") + resumed[2] if resumed else text
        call = _CALL.match(whole)
        if call is None or int(call[3]) < 0:
            continue
        if not resumed:
            yield from _begun(whole, open_files)
        yield from _ended(call[1], call[2], int(call[3]), open_files, folder)


def _begun(text: str, open_files: dict[int, str]) -> Iterator[Operation]:
    name, _, arguments = text.partition("(")
    if name == "pwrite64":
        file, data = open_files.get(_number(arguments)), _text(arguments)
        if file is not None:
            # fd, "data", count, offset
            yield Write(file, int(re.findall(r", (\d+)", arguments)[-1]), data)
    elif name == "ftruncate":
        file = open_files.get(_number(arguments))
        if file is not None:
            yield Write(file, int(re.findall(r"\d+", arguments)[1]), None)
    elif name in ("sendto", "sendmsg", "write"):
        for found in ID.finditer(_text(arguments)):
            yield Told(found[1].decode(), int(found[3]))


def _ended(name: str, arguments: str, result: int, open_files: dict[int, str], folder: Path) -> Iterator[Operation]:
    if name == "openat":
        path = Path(_text(arguments).decode(errors="replace"))
        if path.parent == folder and ".sqlite" in path.name and not path.name.endswith("-shm"):
            open_files[result] = path.name
        else:
            open_files.pop(result, None)
    elif name == "close":
        open_files.pop(_number(arguments), None)
    elif name in ("fsync", "fdatasync") and _number(arguments) in open_files:
        yield Sync(open_files[_number(arguments)])
    elif name == "unlink":
        path = Path(_text(arguments).decode(errors="replace"))
        if path.parent == folder:
            yield Gone(path.name)


def _number(arguments: str) -> int:
    return int(re.split(r"[,)]", arguments, maxsplit=1)[0])


def _text(arguments: str) -> bytes:
    return b"".join(bytes.fromhex(found.replace("\\x", "")) for found in _TEXT.findall(arguments))


class Disk:
    """The durable part of some files. `feed` operations in order; `lay_out` writes what a power cut now would leave."""

    def __init__(self) -> None:
        self._durable: dict[str, bytearray] = {}
        self._waiting: dict[str, list[Write]] = {}
        self.told: dict[str, int] = {}

    def feed(self, operation: Operation) -> None:
        """Take one operation."""
        match operation:
            case Write():
                self._waiting.setdefault(operation.file, []).append(operation)
            case Sync():
                content = self._durable.setdefault(operation.file, bytearray())
                for write in self._waiting.pop(operation.file, []):
                    _apply(content, write)
            case Gone():
                self._durable.pop(operation.file, None)
                self._waiting.pop(operation.file, None)
            case Told():
                self.told[operation.stream] = max(self.told.get(operation.stream, 0), operation.sequence)

    def lay_out(self, folder: Path, *, keep: Iterator[bool] | None = None) -> None:
        """Write the files. Unsynced writes are lost, but for those for which `keep` says true: a disk may write them in any order."""
        folder.mkdir()
        for name in self._durable.keys() | (self._waiting.keys() if keep is not None else set()):
            content = bytearray(self._durable.get(name, b""))
            if keep is not None:
                for write in self._waiting.get(name, ()):
                    if next(keep):
                        _apply(content, write)
            (folder / name).write_bytes(content)


def _apply(content: bytearray, write: Write) -> None:
    if write.data is None:
        del content[write.offset :]
        return
    if len(content) < write.offset:
        content.extend(bytes(write.offset - len(content)))
    content[write.offset : write.offset + len(write.data)] = write.data


def lasts(file: Path) -> dict[str, int]:
    """The last durable number of each stream; that the file is sound and its rows without a hole is asserted. {} without a file."""
    if not file.exists():
        return {}
    connection = sqlite3.connect(file)
    try:
        assert connection.execute("PRAGMA quick_check(1)").fetchone() == ("ok",)
        if connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'stream'").fetchone() == (0,):
            return {}
        found = dict(connection.execute("SELECT name, last FROM stream").fetchall())
        for stream, last in found.items():
            query = f"SELECT count(*), coalesce(max(sequence), 0) FROM {stream}_row"
            count, newest = connection.execute(query).fetchone()
            assert (count, newest) == (last, last), f"{stream}: {count} rows up to {newest}, the cursor says {last}"
        return found
    finally:
        connection.close()
