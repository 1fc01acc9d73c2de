"""The mean over a length of cable or a time, weighted by what each reading stands for.

An instant reading stands until the next one (zero-order hold: right for dense gauges and for tags sent on change alike); a register
that holds a mean or an extreme stands for its own piece. A gap of bad readings stands for nothing. Readings closer together than
1/256 of the window share a cell, so a standing line or a crawling one cannot make the window grow.
"""

import math
from collections import deque
from collections.abc import Mapping
from typing import Any

from ..readings import GOOD, Quality
from ..readings.units import Extent

CELLS = 256
"""Cells per window: what leaves at the old end is right to 1/256 of the window."""

FULL = 0.5
"""Share of the window that judged readings must stand for before its mean is given: below it, one reading would carry the rest."""


class Window:
    """A sliding mean. Feed it positions: metres when `over` is a length, seconds when it is a time."""

    __slots__ = ("_began", "_cells", "_grain", "_open", "_width", "is_length")

    def __init__(self, over: Extent) -> None:
        self.is_length = over.is_length
        self._width = over.metres if over.is_length else over.seconds
        self._grain = self._width / CELLS
        # cell: [start, end, length looked at, integral of value, worst quality]
        self._cells: deque[list[float]] = deque()
        self._open: tuple[float, float, int] | None = None  # position, value and quality of the reading that stands
        self._began: float | None = None

    def add(self, x: float, value: float, quality: Quality = GOOD, piece: float | None = None) -> None:
        """A reading at position `x`. `piece`: the length a holding register looked back on; None for an instant reading."""
        last = self._open[0] if self._open is not None else self._cells[-1][1] if self._cells else None
        if last is not None and x < last:
            x = last  # reverse motion or a late source time: nothing new was looked at
        if piece is not None:
            start = x - piece if last is None else max(last, x - piece)
            self._put(start, x, value, int(quality))
            if self._began is None:
                self._began = start
        elif self._open is not None:
            self._put(self._open[0], x, self._open[1], self._open[2])
        if self._began is None:
            self._began = x
        self._open = (x, value, int(quality))
        self._evict(x)

    def gap(self) -> None:
        """The reading that stood stands no longer (a bad one came)."""
        self._open = None

    def clear(self) -> None:
        """Begin anew: the next mean needs a whole window again."""
        self._cells.clear()
        self._open = None
        self._began = None

    def _put(self, start: float, end: float, value: float, quality: int) -> None:
        length = end - start
        if length <= 0.0:
            return
        cells = self._cells
        if cells and end - cells[-1][0] <= self._grain:
            cell = cells[-1]
            cell[1] = end
            cell[2] += length
            cell[3] += value * length
            cell[4] = max(cell[4], quality)
        else:
            cells.append([start, end, length, value * length, quality])

    def _evict(self, x: float) -> None:
        edge = x - self._width
        cells = self._cells
        while cells and cells[0][1] <= edge:
            cells.popleft()

    def mean(self) -> tuple[float, Quality] | None:
        """``(mean, worst quality)``, or None until a whole window has passed and at least half of it was looked at."""
        if self._open is None or self._began is None or self._open[0] - self._began < self._width * (1 - 1e-9):
            return None
        edge = self._open[0] - self._width
        cells = self._cells
        lengths = [cell[2] for cell in cells]
        moments = [cell[3] for cell in cells]
        quality = int(max([cell[4] for cell in cells], default=0))
        for index, (start, end, length, moment, _) in enumerate(cells):
            if start >= edge:  # and so do all that follow: only the first reach out of the window
                break
            share = (end - edge) / (end - start) if end > start else 0.0
            lengths[index], moments[index] = length * share, moment * share
        looked_at = math.fsum(lengths)
        if looked_at < FULL * self._width:
            return None
        return math.fsum(moments) / looked_at, Quality(quality)

    def snapshot(self) -> dict[str, Any]:
        """State as plain data."""
        return {
            "cells": [list(cell) for cell in self._cells],
            "open": list(self._open) if self._open is not None else None,
            "began": self._began,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._cells = deque([float(part) for part in cell] for cell in state.get("cells", ()))
        standing = state.get("open")
        self._open = (float(standing[0]), float(standing[1]), int(standing[2])) if standing is not None else None
        self._began = state.get("began")
