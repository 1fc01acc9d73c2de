"""A two-axis diameter gauge, reading by reading: what it sees at every internal sample, as a function of the sample's number.

Nobody's reading changes a sample, so peak-hold, mean and instantaneous registers, the direct face and the servers all look at
the same signal. Averaging over the 1 mm aperture is left out: flaws are longer.
"""

from collections import OrderedDict
from dataclasses import dataclass

import numpy as np

from .cable import Cable
from .flaws import AXES, FlawTable, seen_by_axis, shape
from .line_file import Place
from .motion import Floats, Motion
from .noise import generator
from .scenario import Scenario

RATE = 1000.0
"""Internal readings a second."""
BLOCK = 2000
"""Samples worked out at once."""
STEP = 10
"""The undisturbed core is worked out at every tenth sample and runs straight between (error far below 0.1 um)."""


@dataclass(frozen=True)
class Samples:
    """Consecutive internal samples from number `first` on. `axes` and `base` are (2, n) in mm, `metre` is (n,) in m."""

    first: int
    metre: Floats
    axes: Floats
    base: Floats


class Gauge:
    """The signal of one gauge. `hot` says which of the two it is."""

    def __init__(
        self, scenario: Scenario, motion: Motion, cable: Cable, flaws: FlawTable, place: Place, reference: float
    ) -> None:
        self.place = place
        self.flaws = flaws
        self.hot = place.name == "hot-gauge"
        self._scenario = scenario
        self._motion = motion
        self._cable = cable
        self._offset = reference - place.position
        self._blocks: OrderedDict[int, Samples] = OrderedDict()
        self._gains: dict[int, tuple[float, float]] = {}

    def gains(self, index: int) -> tuple[float, float]:
        """Height in mm that the axes x and y see of a flaw (negative for a neck)."""
        if index not in self._gains:
            self._gains[index] = self._work_out_gains(index)
        return self._gains[index]

    def _work_out_gains(self, index: int) -> tuple[float, float]:
        flaw = self.flaws[index]
        if self.hot and flaw.born != "die":
            return (0.0, 0.0)
        height = -flaw.height if flaw.kind == "neck" else flaw.height
        if flaw.axes is not None:
            return (height * flaw.axes[0], height * flaw.axes[1])
        twist = 0.0 if self.hot else self._cable.twist(flaw.metre)
        radius = float(self._cable.cold(np.array([flaw.metre]))[0]) / 2
        if self.hot:
            height *= flaw.hot_share / (1.0 - self._scenario.surface.shrink)
        x, y = (height * seen_by_axis(flaw, axis, twist, radius) for axis in AXES)
        return (x, y)

    def _block(self, number: int) -> Samples:
        block = self._blocks.get(number)
        if block is None:
            block = self._work_out(number)
            self._blocks[number] = block
            if len(self._blocks) > 8:
                self._blocks.popitem(last=False)
        return block

    def _work_out(self, number: int) -> Samples:
        first = number * BLOCK
        coarse = np.arange(0, BLOCK + STEP, STEP)
        metres = self._motion.counter((first + coarse) / RATE) + self._offset
        middle = self._cable.hot(metres) if self.hot else self._cable.cold(metres)
        half = self._cable.half_ovality(metres)
        fine = np.arange(BLOCK)
        metre = np.interp(fine, coarse, metres)
        base = np.stack([np.interp(fine, coarse, middle + half), np.interp(fine, coarse, middle - half)])
        rng = generator(self._scenario.seed, self.place.name, number)
        axes = base + self._scenario.surface.noise * rng.standard_normal((2, BLOCK))
        for index, flaw in self.flaws.overlapping(float(metre[0]), float(metre[-1])):
            gains = self.gains(index)
            if gains == (0.0, 0.0):
                continue
            i, j = np.searchsorted(metre, (flaw.start, flaw.end))
            if j > i:
                axes[:, i:j] += np.outer(gains, shape(flaw, metre[i:j]))
        return Samples(first, metre, axes, base)

    def samples(self, first: int, last: int) -> Samples:
        """Samples from number `first` to `last`, both included."""
        low, high = first // BLOCK, last // BLOCK
        if low == high:
            block = self._block(low)
            i, j = first - block.first, last - block.first + 1
            return Samples(first, block.metre[i:j], block.axes[:, i:j], block.base[:, i:j])
        parts = [self._block(n) for n in range(low, high + 1)]
        i, j = first - low * BLOCK, last - low * BLOCK + 1
        metre = np.concatenate([p.metre for p in parts])[i:j]
        axes = np.concatenate([p.axes for p in parts], axis=1)[:, i:j]
        base = np.concatenate([p.base for p in parts], axis=1)[:, i:j]
        return Samples(first, metre, axes, base)
