"""Which part of the line prints a period: wheels by their circumference, screws by line speed over turns, followed by metre."""

from collections import deque
from collections.abc import Mapping
from typing import Any

import msgspec
from pydantic import BaseModel, ConfigDict, Field

from ..readings import BAD
from ..readings.units import Length, affine
from .contract import View
from .setpoint import Setpoint

STEADY = 1.05
"""Largest over smallest period of a screw's print within a window up to which a line is said to fit it."""
CLOSE = 0.01
"""Share by which a line may lie beside a part's period: counters slip, wheels wear, cores shrink."""
PIECES = 200
"""How often per window the prints of screws are noted."""


class PartSettings(BaseModel):
    """A part that prints a period: a wheel by `circumference`, or a screw by the tag of its `turns` (1/min)."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    circumference: Length | None = None
    turns: str | None = None
    orders: int = Field(default=3, ge=1, le=10)
    amplitude: Setpoint | None = None


def turns_per_second(unit: str) -> float:
    """Factor from a speed of rotation to turns per second. The unit library counts a revolution as 2π, a plain 1/min as 1."""
    counted = unit.lower().startswith(("rpm", "rev", "turn"))
    return affine(unit, "revolution/s" if counted else "1/s")[0]


class Fit(msgspec.Struct, frozen=True):
    """A part that a period fits, and in which order (2: two a turn). `swept` is set when it may only be that part: its period (m) went
    from the first to the second within the window."""

    part: str
    order: int
    swept: tuple[float, float] | None = None


class Turning(msgspec.Struct, frozen=True):
    """A screw: the tag of its turns, the factor to turns per second, its station."""

    tag: str
    factor: float
    station: str


class Prints:
    """Periods of every declared part. A screw's is noted with the metre that is then in front of it, so that it is compared with the
    cable made at that moment, not with what the gauge saw."""

    def __init__(self, parts: Mapping[str, PartSettings], turning: Mapping[str, Turning], over: float) -> None:
        self._parts = parts
        self._turning = turning
        self._over = over
        self._rows: dict[str, deque[tuple[float, float]]] = {part: deque(maxlen=4 * PIECES) for part in turning}

    def note(self, view: View, before: float) -> None:
        """Note what the screws print now; what lies before metre `before` is forgotten."""
        for part, screw in self._turning.items():
            rows, last = self._rows[part], view.last(screw.tag)
            metre = view.metre_now(screw.station)
            if rows and metre < rows[-1][0] - 1e-9:
                rows.clear()  # the axis went back or was set anew
            while rows and rows[0][0] < before:
                rows.popleft()
            rate = last.value * screw.factor if last is not None and last.quality is not BAD else 0.0
            if rate > 0.0 and view.speed > 0.0 and rate * self._over > view.speed * 1e-6:
                rows.append((metre, view.speed / rate))

    def fit(self, period: float, start: float, end: float) -> Fit | None:
        """The part that a period (m) fits in the window from `start` to `end` (m)."""
        maybe: Fit | None = None
        for part, table in self._parts.items():
            least = most = middle = table.circumference or 0.0
            if table.turns is not None:
                found = [p for metre, p in self._rows.get(part, ()) if start <= metre <= end]
                if not found:
                    continue
                least, most, middle = min(found), max(found), len(found) / sum(1 / p for p in found)
            for order in range(1, table.orders + 1):
                if most <= STEADY * least:
                    near = abs(1 / period - order / middle) <= max(
                        1 / self._over, max(CLOSE, most / least - 1) * order / middle
                    )
                    if near:
                        return Fit(part, order)
                elif maybe is None and least / order * (1 - CLOSE) <= period <= most / order * (1 + CLOSE):
                    maybe = Fit(part, order, (found[0], found[-1]))
        return maybe

    def unknown(self, start: float, end: float) -> list[str]:
        """Screws whose turns were not known anywhere in the window."""
        return [part for part, rows in self._rows.items() if not any(start <= metre <= end for metre, _ in rows)]

    def snapshot(self) -> dict[str, Any]:
        """What the screws printed."""
        return {part: [list(row) for row in rows] for part, rows in self._rows.items()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave; parts that are no longer declared are left out."""
        for part, rows in state.items():
            if part in self._rows:
                self._rows[part].clear()
                self._rows[part].extend((float(metre), float(period)) for metre, period in rows)
