"""How many things were counted within the last length of cable or time."""

from collections import deque

_CELLS = 64


class Tally:
    """A sliding count. Positions are metres or seconds; what is closer together than 1/64 of the window shares an entry."""

    __slots__ = ("_entries", "_grain", "_width", "total")

    def __init__(self, width: float) -> None:
        self._width = width
        self._grain = width / _CELLS
        self._entries: deque[list[float]] = deque()  # [position of the first, position of the last, count]
        self.total = 0

    def add(self, x: float, count: int) -> None:
        """`count` more at position `x`. A position behind the newest (the line crept back) counts as the newest."""
        entries = self._entries
        if entries and x < entries[-1][1]:
            x = entries[-1][1]
        if entries and x - entries[-1][0] <= self._grain:
            entries[-1][1] = x
            entries[-1][2] += count
        else:
            entries.append([x, x, count])
        self.total += count
        self.move(x)

    def move(self, x: float) -> None:
        """The window ends at `x` now."""
        entries = self._entries
        while entries and entries[0][1] <= x - self._width:
            self.total -= int(entries.popleft()[2])

    @property
    def first(self) -> float | None:
        """Position of the oldest thing still counted."""
        return self._entries[0][0] if self._entries else None

    def snapshot(self) -> list[list[float]]:
        """State as plain data."""
        return [list(entry) for entry in self._entries]

    def restore(self, entries: list[list[float]]) -> None:
        """Take back what `snapshot` gave."""
        self._entries = deque(list(entry) for entry in entries)
        self.total = int(sum(entry[2] for entry in entries))
