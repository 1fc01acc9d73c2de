"""A recording that cannot be used: each fault with its file, row and column, and what is allowed there."""

from pathlib import Path

import msgspec

MOST = 20
"""Faults told one by one; the others are counted."""


class RecordingFault(msgspec.Struct, frozen=True):
    """`row` counts from 1, the header not counted (0: the file as a whole)."""

    file: str
    row: int
    column: str
    wrong: str
    allowed: str = ""

    def __str__(self) -> str:
        where = self.file + (f", row {self.row}" if self.row else "") + (f": {self.column}" if self.column else "")
        return f"{where}\n    wrong:   {self.wrong}" + (f"\n    allowed: {self.allowed}" if self.allowed else "")


class RecordingFaults:
    """Collects faults up to `MOST`, and counts the others."""

    def __init__(self) -> None:
        self.told: list[RecordingFault] = []
        self.count = 0

    def add(self, file: Path, row: int, column: str, wrong: str, allowed: str = "") -> None:
        """One more fault."""
        self.count += 1
        if len(self.told) < MOST:
            self.told.append(RecordingFault(str(file), row, column, wrong, allowed))

    def raise_any(self) -> None:
        """Raise RecordingError when there is any."""
        if self.count:
            raise RecordingError(self.told, self.count)


class RecordingError(ValueError):
    """A recording that cannot be used. Found before anything is fed, but for a file that goes while it is read."""

    def __init__(self, faults: list[RecordingFault], count: int) -> None:
        super().__init__(faults)
        self.faults = tuple(faults)
        self.count = count

    def __str__(self) -> str:
        head = "1 fault in the recording" if self.count == 1 else f"{self.count} faults in the recording"
        more = self.count - len(self.faults)
        tail = [f"… and {more} more like these"] if more else []
        return "\n\n".join(
            [head + ":", *map(str, self.faults), *tail, "The rehearsal does not count: correct the recording and run it again."]
        )
