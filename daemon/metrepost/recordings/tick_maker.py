"""The ticks of a recording that holds none: one each 100 ms of line time, as the times of its rows go on (pure)."""

from collections.abc import Iterator

from ..readings import Tick

EVERY = 0.1
"""Line time between two ticks, seconds."""


class TickMaker:
    """Counts from the first row. A tick stands before the first row that is later than it."""

    def __init__(self) -> None:
        self._next: float | None = None
        self._latest = 0.0

    def before(self, time: float) -> Iterator[Tick]:
        """The ticks between the rows up to now and a row of `time` (s)."""
        if self._next is None:
            self._next = time
        self._latest = max(self._latest, time)
        while self._next < time:
            yield Tick(self._next)
            self._next += EVERY

    def rest(self) -> Iterator[Tick]:
        """The ticks up to the latest row, once all are through."""
        while self._next is not None and self._next <= self._latest:
            yield Tick(self._next)
            self._next += EVERY
