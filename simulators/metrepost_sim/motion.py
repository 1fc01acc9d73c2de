"""How the cable moves: line speed and the length that has passed the capstan, both pure functions of time."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PRELUDE = 900.0
"""Seconds of running before time 0, so that the line is full of cable when anybody looks first."""
GRID = 0.1
"""Spacing of the table for the inverse, seconds."""
RIPPLE = ((7.3, 0.0030), (1.57, 0.0010))
"""Ripple of the drive: (length of one period in metres, relative amplitude of the speed)."""


@dataclass(frozen=True)
class SpeedPoint:
    """A corner of the speed profile: `speed` (m/min) at `at` (s); straight lines between corners."""

    at: float
    speed: float


class Motion:
    """Cable motion. Never backwards.

    The true counter is ``start`` at time 0. Ripple is a function of the length already run, so it stops when the line stops,
    and speed is the exact derivative of length.
    """

    def __init__(self, points: tuple[SpeedPoint, ...], start: float, duration: float, prelude_speed: float) -> None:
        if not points or any(p.speed < 0 for p in points):
            raise ValueError("a speed profile needs at least one point, and speeds of 0 m/min or more")
        if any(b.at <= a.at for a, b in pairwise(points)):
            raise ValueError("the points of a speed profile must be in order of time, each later than the one before")
        at = [-PRELUDE, 0.0 - 1e-6] + [p.at for p in points if p.at >= 0.0]
        speed = [prelude_speed / 60.0] * 2 + [p.speed / 60.0 for p in points if p.at >= 0.0]
        if at[-1] < duration:
            at.append(duration)
            speed.append(speed[-1])
        self._t: Floats = np.array(at)
        self._v: Floats = np.array(speed)
        dt = np.diff(self._t)
        self._a: Floats = np.append(np.diff(self._v) / dt, 0.0)
        self._c: Floats = np.concatenate(([0.0], np.cumsum(dt * (self._v[1:] + self._v[:-1]) / 2)))
        self._start = 0.0
        self._start = start - float(self.counter(np.array([0.0]))[0])
        grid = np.arange(-PRELUDE, duration + GRID, GRID)
        counter = self.counter(grid)
        keep = np.concatenate(([True], np.diff(counter) > 0))  # standing: the first moment stands for the metre
        self._grid_t: Floats = grid[keep]
        self._grid_c: Floats = counter[keep]

    def _base(self, t: Floats) -> tuple[Floats, Floats]:
        i = np.clip(np.searchsorted(self._t, t, side="right") - 1, 0, len(self._t) - 1)
        dt = t - self._t[i]
        return self._c[i] + self._v[i] * dt + 0.5 * self._a[i] * dt * dt, self._v[i] + self._a[i] * dt

    def counter(self, t: Floats) -> Floats:
        """True counter (m) at `t` (s): the length that has passed the capstan."""
        run, _ = self._base(t)
        value = self._start + run
        for period, share in RIPPLE:
            value = value + share * period / (2 * np.pi) * np.sin(2 * np.pi * run / period)
        return value

    def speed(self, t: Floats) -> Floats:
        """Line speed (m/s) at `t` (s)."""
        run, speed = self._base(t)
        factor = np.ones_like(run)
        for period, share in RIPPLE:
            factor = factor + share * np.cos(2 * np.pi * run / period)
        return speed * factor

    def time_at(self, counter: Floats) -> Floats:
        """When the true counter had these values (s), from a table: within about 1 mm of cable. Clipped at both ends."""
        return np.interp(counter, self._grid_c, self._grid_t)

    def time_of(self, counter: float) -> float:
        """The first moment at which the true counter reached one value, by bisection to a nanosecond."""
        guess = float(self.time_at(np.array([counter]))[0])
        low, high = guess - 2 * GRID, guess + 2 * GRID
        while high - low > 1e-9:
            middle = (low + high) / 2
            low, high = (middle, high) if float(self.counter(np.array([middle]))[0]) < counter else (low, middle)
        return high
