"""Faults: what is wrong with the files, all of it at once, each with its place and what is allowed there."""

import difflib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Protocol

import msgspec

from .toml_lines import KeyPath

_SHOWN = 16  # of a long list of names; the nearest stands on a line of its own


class Fault(msgspec.Struct, frozen=True, order=True):
    """One thing that is wrong. `line` counts from 1 (0: the file as a whole); `key_path` is dotted, as in the file.

    `allowed` lists valid values or names, or holds one sentence that says what is; `nearest` is the likely meaning or "".
    """

    file: str
    line: int
    key_path: str
    wrong: str
    allowed: tuple[str, ...] = ()
    nearest: str = ""

    def __str__(self) -> str:
        where = self.file + (f", line {self.line}" if self.line else "")
        lines = [f"{where}: {self.key_path}" if self.key_path else where, f"    wrong:   {self.wrong}"]
        if self.nearest:
            lines.append(f"    nearest: {self.nearest}")
        if self.allowed:
            more = len(self.allowed) - _SHOWN
            tail = f" … and {more} more" if more > 0 else ""
            lines.append(f"    allowed: {', '.join(self.allowed[:_SHOWN])}{tail}")
        return "\n".join(lines)


class ConfigurationError(ValueError):
    """Files that cannot be used. `faults` holds every fault found, in the order of files and lines."""

    def __init__(self, faults: Sequence[Fault], advice: str = "") -> None:
        super().__init__(faults)
        self.faults = tuple(faults)
        self._advice = advice or "Nothing was started. Correct the lines named above, then run `metrepost check` again."

    def __str__(self) -> str:
        count = len(self.faults)
        head = "1 error in the configuration" if count == 1 else f"{count} errors in the configuration"
        return "\n\n".join([head + ":", *map(str, self.faults), self._advice])


def nearest(name: str, names: Iterable[str]) -> str:
    """The name that was probably meant, or ""."""
    close = difflib.get_close_matches(name, list(names), n=1, cutoff=0.6)
    return close[0] if close else ""


class Place(Protocol):
    """Something with key paths that a fault can be reported against: a TOML file, a row of a register list."""

    def fault(self, path: KeyPath, wrong: str, allowed: Iterable[str] = (), meant: str | None = None) -> None:
        """Report a fault at a key path. `meant` is what was written, when the nearest of `allowed` is to be offered."""


class Faults:
    """Collects faults. A second fault at the same place is dropped: it follows from the first more often than not."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, int, str], Fault] = {}
        self._files: dict[str, int] = {}
        self.texts: dict[Path, str] = {}
        """What stood in each file when it was read."""

    def opened(self, file: Path) -> None:
        """Remember the order in which files were read: faults are told in that order."""
        self._files.setdefault(str(file), len(self._files))

    def add(
        self, file: Path, line: int, key_path: str, wrong: str, allowed: Iterable[str] = (), meant: str | None = None
    ) -> None:
        """Add a fault. `meant` is what was written, when the nearest of `allowed` is to be offered."""
        allowed = tuple(allowed)
        fault = Fault(str(file), line, key_path, wrong, allowed, nearest(meant, allowed) if meant is not None else "")
        self.opened(file)
        self._found.setdefault((fault.file, fault.line, fault.key_path), fault)

    def __len__(self) -> int:
        return len(self._found)

    def told(self) -> tuple[Fault, ...]:
        """Every fault, in order of files (as they were read) and lines."""
        return tuple(sorted(self._found.values(), key=lambda fault: (self._files[fault.file], fault.line, fault.key_path)))

    def raise_any(self, advice: str = "") -> None:
        """Raise ConfigurationError when there is any fault. `advice` ends it, where `metrepost check` is not what helps."""
        if self._found:
            raise ConfigurationError(self.told(), advice)
