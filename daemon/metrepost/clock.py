"""The clocks of this machine, as line time. The only file that reads them for the core's sake."""

import time

from .line_clock import LineClock


class SystemClock:
    """Line time from wall and monotonic clock. `rate` scales the line clock (a demonstration at ten times the speed).

    A scaled clock is not slewed towards the wall clock: it leaves it behind on purpose.
    """

    def __init__(self, rate: float = 1.0) -> None:
        self.rate = rate
        self._begin = time.monotonic()
        self._line = LineClock(time.time(), self._begin)

    def monotonic(self) -> float:
        """Monotonic seconds."""
        return time.monotonic()

    def line_time(self) -> float:
        """Line time, seconds since 1970."""
        now = time.monotonic()
        if self.rate == 1.0:
            return self._line.at(now)
        return self._line.at(self._begin) + (now - self._begin) * self.rate

    def look(self) -> float:
        """Compare wall and monotonic clock; the step in seconds when the wall clock was stepped, else 0."""
        step = self._line.look(time.time(), time.monotonic())
        return step if self.rate == 1.0 else 0.0
