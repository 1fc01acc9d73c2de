"""A gauge's own running median by metre: what "height" of a lump is measured over.

The median is over bins of cable, not over readings, so that a slow line does not make it shorter; an excursion that is short
against the window does not move it. It is held while nothing is added (the line is not producing); after a hole longer than the
window it begins anew.
"""

import math
from bisect import bisect_left, insort
from collections import deque
from collections.abc import Mapping
from typing import Any

BINS = 50
"""Bins in the window."""


class Baseline:
    """Running median of one tag over `length` metres. `add(metre, value)`; `level` is NaN before the first value."""

    def __init__(self, length: float) -> None:
        self._width = length / BINS
        self._sorted: list[float] = []
        self._bins: deque[tuple[int, float]] = deque()
        self._key: int | None = None
        self._sum = 0.0
        self._n = 0
        self.level = float("nan")

    def add(self, metre: float, value: float) -> None:
        """Take a reading into the baseline. Metres that go back (reverse motion) stay in the bin that is open."""
        key = int(metre // self._width)
        if self._key is not None and key - self._key > BINS:
            self._forget()
        if self._key is None:
            self._key = key
        elif key > self._key:
            self._close(key)
        elif key < self._key - BINS:  # the axis jumped back: begin anew, keep the level as it was
            self._key = key
        self._sum += value
        self._n += 1
        if not self._sorted:
            self.level = self._sum / self._n

    def level_at(self, metre: float) -> float:
        """The level for a reading at `metre`; NaN when the last window holds nothing (a long outage, a stop with a long ramp):
        the cable may have another size now, and every reading of it would look like a flaw."""
        if self._key is None or int(metre // self._width) - self._key > BINS:
            return float("nan")
        return self.level

    def _forget(self) -> None:
        self._sorted.clear()
        self._bins.clear()
        self._key, self._sum, self._n = None, 0.0, 0
        self.level = float("nan")

    def _close(self, key: int) -> None:
        done = self._key
        if self._n and done is not None:
            mean = self._sum / self._n
            insort(self._sorted, mean)
            self._bins.append((done, mean))
        while len(self._bins) > 1 and (self._bins[0][0] <= key - BINS or len(self._bins) > BINS):
            _, old = self._bins.popleft()
            del self._sorted[bisect_left(self._sorted, old)]
        n = len(self._sorted)
        if n:
            half = n // 2
            self.level = self._sorted[half] if n % 2 else 0.5 * (self._sorted[half - 1] + self._sorted[half])
        self._key = key
        self._sum = 0.0
        self._n = 0

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        level = None if math.isnan(self.level) else self.level
        return {"bins": [list(b) for b in self._bins], "key": self._key, "sum": self._sum, "n": self._n, "level": level}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self._bins = deque((int(k), float(v)) for k, v in state["bins"])
        self._sorted = sorted(v for _, v in self._bins)
        self._key = state["key"]
        self._sum = state["sum"]
        self._n = state["n"]
        level = state["level"]
        self.level = float("nan") if level is None else level
