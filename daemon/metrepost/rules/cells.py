"""Readings averaged in cells of cable, over a window: a series by metre, and what averaging left of a wave of a given period."""

from base64 import b64decode, b64encode
from collections import deque
from collections.abc import Mapping
from struct import Struct
from typing import Any

import numpy as np
import numpy.typing as npt

from .spectrum import Floats

GRAIN = 1e-4
"""Metres of cells are kept to this (m): less than a degree of phase at 50 mm, and a third of the bytes in a snapshot."""
_SINGLE = Struct("<4f")


class Cells:
    """Cells of `cell` metres in a window of `over` metres, at most `most` of them.

    A cell keeps the mean metre and value of its readings, how far they spread (m), how many they were, and the mean piece (m) that each
    stood for (0 for an instant). Metres come in rising order; the caller begins anew where they do not.
    """

    def __init__(self, cell: float, over: float, most: int) -> None:
        self.cell = cell
        self._over = over
        self._rows: deque[list[float]] = deque(maxlen=most)
        self._key: int | None = None
        self._open = [0.0, 0.0, 0.0, 0.0, 0.0, 0.0]  # first and last metre, sums of metres, values, pieces, count

    def clear(self) -> None:
        """Begin anew."""
        self._rows.clear()
        self._key = None

    def follows(self, metre: float, hole: float) -> bool:
        """Whether a metre goes on where the series is: not backwards, and over no hole of more than `hole` metres."""
        key = int(metre // self.cell)
        return self._key is None or 0 <= (key - self._key) * self.cell <= hole

    def add(self, metre: float, value: float, piece: float) -> bool:
        """Take a reading; True when it closed a cell."""
        key = int(metre // self.cell)
        closed = self._key is not None and key != self._key
        if closed:
            self._close()
        if key != self._key:
            self._key = key
            self._open = [metre, metre, metre, value, piece, 1.0]
            return closed
        cell = self._open
        cell[1] = metre
        cell[2] += metre
        cell[3] += value
        cell[4] += piece
        cell[5] += 1.0
        return closed

    def _close(self) -> None:
        first, last, metres, values, pieces, n = self._open
        # in single precision, as a snapshot keeps them
        rest = _SINGLE.unpack(_SINGLE.pack(values / n, max(0.0, last - first), n, pieces / n))
        self._rows.append([round(metres / n / GRAIN) * GRAIN, *rest])
        while self._rows[0][0] < self._rows[-1][0] - self._over:
            self._rows.popleft()

    @property
    def start(self) -> float | None:
        """Metre of the first cell in the window; None while there is none."""
        return self._rows[0][0] if self._rows else None

    def series(self) -> tuple[Floats, Floats]:
        """Metres and values of the window, rising."""
        table = np.array(self._rows, dtype=np.float64).reshape(-1, 5)
        order = np.argsort(table[:, 0], kind="stable")
        return table[order, 0], table[order, 1]

    def spacing(self) -> float:
        """Median distance of the cells with readings, m."""
        metres, _ = self.series()
        return float(np.median(np.diff(metres))) if len(metres) > 1 else self.cell

    def left_of(self, period: float, aperture: float) -> float:
        """What aperture, pieces and cells left of a wave's amplitude, 0 … 1.

        A mean over a length w leaves sin(πw/P)/(πw/P); n readings that spread evenly over a length leave the same with the sum in
        place of the integral, sin(nx)/(n·sin x) with x = π times their distance over P.
        """
        table = np.array(self._rows, dtype=np.float64).reshape(-1, 5)
        if len(table) == 0:
            return 1.0
        spread, n, piece = table[:, 2], table[:, 3], table[:, 4]
        x = np.pi * spread / np.maximum(n - 1, 1) / period
        bottom = n * np.sin(x)
        cells = np.where(np.abs(bottom) > 1e-9, np.sin(n * x) / np.where(np.abs(bottom) > 1e-9, bottom, 1.0), 1.0)
        return abs(float(np.mean(cells * np.sinc(piece / period)))) * abs(float(np.sinc(aperture / period)))

    def snapshot(self) -> dict[str, Any]:
        """The window, packed (80 bytes a reading would wear out a memory card), and the open cell."""
        table = np.array(self._rows, dtype=np.float64).reshape(-1, 5)
        grains = np.rint(table[:, 0] / GRAIN).astype(np.int64)
        columns = table[:, 1:].T.astype("<f4")
        return {
            "first": int(grains[0]) if len(grains) else 0,
            "metres": _packed(np.diff(grains).astype("<i4")),
            "columns": [_packed(c[:1] if len(c) and bool(np.all(c == c[0])) else c) for c in columns],
            "n": len(grains),
            "key": self._key,
            "open": list(self._open),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        n = int(state["n"])
        self._rows.clear()
        if n:
            grains = int(state["first"]) + np.concatenate([[0], np.cumsum(_unpacked(state["metres"], "<i4").astype(np.int64))])
            columns = [np.broadcast_to(_unpacked(c, "<f4"), (n,)).tolist() for c in state["columns"]]
            self._rows.extend([g * GRAIN, *rest] for g, *rest in zip(grains.tolist(), *columns, strict=True))
        self._key = state["key"]
        self._open = [float(v) for v in state["open"]]


def _packed(column: npt.NDArray[Any]) -> str:
    return b64encode(column.tobytes()).decode()


def _unpacked(text: str, kind: str) -> npt.NDArray[Any]:
    return np.frombuffer(b64decode(text), dtype=kind)
