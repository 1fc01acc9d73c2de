"""Flaws of the core and drops on it: their shape along the cable, round it, and what a shadow gauge sees of them.

An axis of a two-axis gauge measures the width of the shadow, so it sees the outermost point on either side of its direction.
A bump that stands away from both sides is hidden by the round of the core: that is the blind sector. From geometry, no source.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .motion import Floats

Kind = Literal["lump", "neck", "drop"]
Born = Literal["die", "after-hot", "wipe"]
AXES = (0.0, 90.0)
"""Direction of the axes x and y, degrees."""


@dataclass(frozen=True)
class Flaw:
    """One lump, neck or drop, centred on `metre`.

    `height` is the rise (neck: fall) of the diameter in mm where an axis sees it whole; `length` along the cable in m;
    `width` and `angle` of its middle round the cable in degrees. `born`: ``die``; ``after-hot``, between the two gauges;
    ``wipe``, a drop, seen at the cold gauge only. `axes`, given for drops, are the shares that x and y see.
    `hot_share` scales what the hot gauge sees of it.
    """

    kind: Kind
    metre: float
    height: float
    length: float
    angle: float = 0.0
    width: float = 360.0
    born: Born = "die"
    axes: tuple[float, float] | None = None
    hot_share: float = 1.0

    @property
    def start(self) -> float:
        """Metre at which it begins."""
        return self.metre - self.length / 2

    @property
    def end(self) -> float:
        """Metre at which it ends."""
        return self.metre + self.length / 2


def _side(offset: float, half_width: float, radial: float, radius: float, rises: bool) -> float:
    """Change of the extent (mm) on one side of an axis whose direction lies `offset` degrees from the middle of the flaw."""
    beyond = offset - half_width
    if rises:
        away = math.radians(max(0.0, beyond))
        return max(0.0, (radius + radial) * math.cos(away) - radius) if away < math.pi / 2 else 0.0
    # a neck shows only as deep as the sound surface beside it lets the shadow go
    inside = math.radians(min(90.0, max(0.0, -beyond)))
    return min(radial, radius * (1.0 - math.cos(inside))) if half_width < 180.0 else radial


def seen_by_axis(flaw: Flaw, axis: float, twist: float, radius: float) -> float:
    """Share of `flaw.height` that an axis at `axis` degrees sees, the core (radius in mm) turned by `twist` degrees.

    A flaw wider than half the core rises on two sides, half its height on each.
    """
    radial = flaw.height if flaw.width <= 180.0 else flaw.height / 2
    total = 0.0
    for side in (axis, axis + 180.0):
        offset = abs((flaw.angle + twist - side + 180.0) % 360.0 - 180.0)
        total += _side(offset, flaw.width / 2, radial, radius, flaw.kind != "neck")
    return total / flaw.height


def shape(flaw: Flaw, metres: Floats) -> Floats:
    """Relative height (0 to 1) at `metres`: drops are caps, lumps and necks have a flat half with rounded flanks."""
    u = np.clip(np.abs(metres - flaw.metre) / (flaw.length / 2), 0.0, 1.0)
    if flaw.kind == "drop":
        return np.sqrt(1.0 - u * u)
    return np.where(u < 0.5, 1.0, 0.5 + 0.5 * np.cos(2 * np.pi * (u - 0.5)))


class FlawTable:
    """Flaws in order of their start, quick to ask what lies on a piece of cable."""

    def __init__(self, flaws: Iterable[Flaw]) -> None:
        self._flaws = sorted(flaws, key=lambda f: f.start)
        self._starts: Floats = np.array([f.start for f in self._flaws], dtype=np.float64)
        self._longest = max((f.length for f in self._flaws), default=0.0)

    def overlapping(self, low: float, high: float) -> Iterator[tuple[int, Flaw]]:
        """Flaws that touch ``[low, high]`` metres, with their place in the table."""
        first = int(np.searchsorted(self._starts, low - self._longest, side="left"))
        last = int(np.searchsorted(self._starts, high, side="right"))
        for i in range(first, last):
            flaw = self._flaws[i]
            if flaw.end >= low:
                yield i, flaw

    def __getitem__(self, index: int) -> Flaw:
        return self._flaws[index]

    def __iter__(self) -> Iterator[Flaw]:
        return iter(self._flaws)

    def __len__(self) -> int:
        return len(self._flaws)
