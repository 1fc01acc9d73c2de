"""The clocks of this machine, as line time. The only file that reads them for the core's sake."""

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .line_clock import STEP, LineClock

BOOT = Path("/proc/sys/kernel/random/boot_id")
"""Differs from boot to boot: the monotonic clocks of two processes can be compared while it is the same."""

UNKNOWN = 60.0
"""Seconds of downtime assumed when neither clock can tell: after a boot, with the wall clock behind where line time was."""


def _boot() -> str:
    try:
        return BOOT.read_text().strip()
    except OSError:
        return ""


class SystemClock:
    """Line time from wall and monotonic clock. `rate` scales the line clock (a demonstration at ten times the speed).

    A scaled clock is not slewed towards the wall clock: it leaves it behind on purpose.
    """

    def __init__(self, rate: float = 1.0) -> None:
        self.rate = rate
        self._begin = time.monotonic()
        self._line = LineClock(time.time(), self._begin)
        self._boot = _boot()

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

    def mark(self) -> dict[str, Any]:
        """Where line time stands, for `resume` after a restart."""
        return {"line": self.line_time(), "boot": self._boot, "monotonic": self.monotonic()}

    def resume(self, mark: Mapping[str, Any]) -> float:
        """Go on from a mark: line time does not go back over a restart either, or delays, windows and rollups would wait for it.

        Returns the step in seconds (below 0) when the wall clock was set back meanwhile, else 0. One set forward is followed.
        """
        now, then, seen = self.line_time(), float(mark["line"]), float(mark.get("monotonic", 0.0))
        if self._boot and mark.get("boot") == self._boot:
            least = then + max(0.0, self.monotonic() - seen)
        else:
            least = now if now >= then else then + UNKNOWN
        if self.rate != 1.0 or least <= now:
            return 0.0
        self._line.advance(least - now)
        return now - least if least - now > STEP else 0.0
