"""What is on its way to the broker, and how far everything before has arrived (pure).

One window for one stream on one connection. Rows are sent in order of sequence; the cursor may pass a row only when it and
everything before it has been acknowledged. A new connection starts with a new window at the cursor.
"""

from collections import deque


class Window:
    """Outstanding rows of one stream. `cursor` is the last sequence up to which everything is acknowledged."""

    __slots__ = ("_acknowledged", "_outstanding", "cursor", "last_sent")

    def __init__(self, cursor: int) -> None:
        self.cursor = cursor
        self.last_sent = cursor
        self._outstanding: deque[int] = deque()
        self._acknowledged: set[int] = set()

    def __len__(self) -> int:
        """How many were sent and are not acknowledged."""
        return len(self._outstanding) - len(self._acknowledged)

    @property
    def head(self) -> int | None:
        """The oldest row that is not acknowledged."""
        return self._outstanding[0] if self._outstanding else None

    def sent(self, sequence: int) -> None:
        """Row `sequence` is on its way. Raises ValueError when it is not after the last one sent."""
        if sequence <= self.last_sent:
            raise ValueError(f"row {sequence} was sent after row {self.last_sent}")
        self._outstanding.append(sequence)
        self.last_sent = sequence

    def acknowledged(self, sequence: int) -> bool:
        """The broker has row `sequence`; returns whether the cursor moved. Unknown and repeated ones change nothing."""
        if not self._outstanding or sequence < self._outstanding[0]:
            return False
        if sequence != self._outstanding[0]:
            if sequence in self._outstanding:
                self._acknowledged.add(sequence)
            return False
        self._outstanding.popleft()
        self.cursor = sequence
        while self._outstanding and self._outstanding[0] in self._acknowledged:
            self.cursor = self._outstanding.popleft()
            self._acknowledged.discard(self.cursor)
        return True
