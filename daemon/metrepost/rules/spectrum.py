"""Lines in the spectrum of a series by metre: which periods stand out, how strong, how sure, and what they may be mistaken for.

The readings are weighted (Hann over the window) and transformed where they really lie, down to periods of `FINEST`, far below twice
their spacing: the true period of a line is then among those compared, and what a short period looks like to sparse readings is never
taken for it. The strongest line is fitted and taken away, and the rest looked at again.

*Significance.* In noise the power of a bin over its mean is exponentially distributed, so for M bins searched and a false-alarm level α
for the whole window the threshold is ln(M/α), times `CAUTION` for a floor that is itself an estimate. The floor is local, so drift and
other slow noise count as noise: the greater of the medians on both sides (median of an exponential = mean × ln 2; from memory, the
greatest-of detector of radar). Held by simulation in tests/benchmarks/bars_periodic.py.

*Aliases.* A shift F at which the spectral window |W(F)|² (the transform of the positions alone) is large makes f, F − f and F + f look
alike (Lomb, *Astrophys. Space Sci.* 39 (1976) 447; Scargle, *Astrophys. J.* 263 (1982) 835; from memory). Of these only what the
readings fit clearly worse is put aside.
"""

from math import log, pi, sqrt

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

FINEST = 0.05
"""Periods down to this (m) are held to be possible, whatever is asked for; 2.4 GHz at a velocity factor of 0.8."""
NEIGHBOURS = 24
"""Bins on each side that give the noise floor."""
GUARD = 3
"""Bins beside the one looked at that a line of its own reaches."""
CAUTION = 1.25
"""Factor on the threshold for a floor estimated from `NEIGHBOURS` bins a side."""
COHERENT = 0.1
"""|W|² from which a shift makes aliases."""
ALIKE = 0.7
"""An alias with so much of the line's amplitude cannot be told from it (a line between two bins loses a fifth) …"""
UNSURE = 4.0
"""… nor one that is weaker by less than so many times the noise of a bin."""
BESIDE = 4.5
"""Bins within which a second line is taken for the unsteadiness of the first."""
MOST = 12
"""Lines looked for in one window, at most."""
LARGEST = 1 << 20
"""Points of a transform, at most: windows up to LARGEST · FINEST / 16 metres."""


class Line(msgspec.Struct, frozen=True):
    """A line: period (m), amplitude with its standard error (unit of the series), and shorter periods it cannot be told from (m)."""

    period: float
    amplitude: float
    error: float
    aliases: tuple[float, ...] = ()


def longest_window(shortest: float) -> float:
    """Metres that `lines` can look at when it is asked for periods down to `shortest` (m)."""
    return LARGEST * min(shortest, FINEST) / 16


def lines(metres: Floats, values: Floats, *, shortest: float, longest: float, false_alarm: float) -> list[Line]:
    """Lines with periods of `shortest` to `longest` metres, strongest first. [] when there is too little to say anything.

    `metres` ascend, in whatever spacing; the window must hold more than four of `longest`, and half of it must be read. A line
    that may as well have a shorter period, down to `FINEST` or `shortest`, has those in `aliases`; `period` is then the longest
    of them. Amplitudes are as read: what averages took away is not given back here.
    """
    n = len(metres)
    length = float(metres[-1] - metres[0]) if n else 0.0
    if n < 128 or length <= 4 * longest or n < 0.5 * length / float(np.median(np.diff(metres))):
        return []
    seen = _Window(metres, min(shortest, FINEST), longest)
    rest = seen.without_drift(values)
    threshold = CAUTION * log(len(seen.searched) / false_alarm)
    found: list[Line] = []
    taken: list[float] = []
    for _ in range(MOST):
        power = seen.power(rest)
        floor = _floor(power)
        ratio = power[seen.searched] / np.maximum(floor[seen.searched], 1e-300)
        best = int(seen.searched[int(np.argmax(power[seen.searched] * (ratio > threshold)))])
        if power[best] <= threshold * floor[best]:
            break
        frequency, fitted, amplitude = seen.fit(rest, best / length)
        rest = rest - fitted
        alike = sorted([frequency, *seen.aliases(frequency, power, sqrt(float(floor[best])))])
        wanted = [f for f in alike if f <= 1.01 / shortest]
        beside = any(abs(f - t) * length < BESIDE for f in alike for t in taken)
        taken.extend(alike)
        if wanted and not beside:
            found.append(Line(1 / wanted[0], amplitude, 0.0, tuple(1 / f for f in reversed(alike) if f > wanted[0])))
    floor = _floor(seen.power(rest), greatest=False)
    told = [msgspec.structs.replace(line, error=seen.error(floor, 1 / line.period)) for line in found]
    return sorted(told, key=lambda line: -line.amplitude)


class _Window:
    """Positions of the readings, worked out once for all lines of a window. Frequencies are in 1/m, bins are 1/length apart."""

    def __init__(self, metres: Floats, finest: float, longest: float) -> None:
        self._x = metres - metres[0]
        self._length = float(self._x[-1])
        self._hann = 0.5 - 0.5 * np.cos(2 * pi * self._x / self._length)
        self._points = 1 << max(8, int(16 * self._length / finest - 1).bit_length())
        self._points = min(self._points, LARGEST)
        self._at = np.rint(self._x * (self._points / self._length)).astype(np.intp) % self._points
        self._lowest, self._highest = 1 / longest, 1 / finest
        top = min(int(self._highest * self._length), self._points // 4)
        self.searched = np.arange(max(4, int(np.ceil(self._length / longest))), top + 1)
        self._kept = 2 * top + 2 * NEIGHBOURS
        window = self.power(np.ones_like(self._x)) / float(self._hann.sum()) ** 2
        peak = np.flatnonzero((window[1:-1] > COHERENT) & (window[1:-1] >= window[:-2]) & (window[1:-1] >= window[2:])) + 1
        self._shifts = [float(k) / self._length for k in peak if k > 4]

    def power(self, values: Floats) -> Floats:
        """Power of each bin; its mean in white noise of variance σ² is σ² · Σ hann²."""
        grid = np.bincount(self._at, values * self._hann, self._points)
        spectrum: Floats = np.abs(np.fft.rfft(grid)[: self._kept + 1]) ** 2
        return spectrum

    def without_drift(self, values: Floats) -> Floats:
        """The series without its mean and what is slower than about twice `longest`: cosines, by least squares."""
        orders = np.arange(1 + max(2, int(1.1 * self._length * self._lowest)))
        design = np.cos(np.outer(self._x, orders * (pi / self._length)))
        weights, *_ = np.linalg.lstsq(design, values, rcond=None)
        left: Floats = values - design @ weights
        return left

    def fit(self, values: Floats, frequency: float) -> tuple[float, Floats, float]:
        """Frequency near `frequency` that fits best (the main lobe is unimodal: ternary search), the sinusoid, its amplitude."""
        low, high = frequency - 0.8 / self._length, frequency + 0.8 / self._length
        for _ in range(14):
            third = (high - low) / 3
            if self._sinusoid(values, low + third)[1] < self._sinusoid(values, high - third)[1]:
                low += third
            else:
                high -= third
        best = (low + high) / 2
        return (best, *self._sinusoid(values, best))

    def _sinusoid(self, values: Floats, frequency: float) -> tuple[Floats, float]:
        """Least squares of cosine and sine at one frequency: the fit and its amplitude."""
        phase = 2 * pi * frequency * self._x
        c, s = np.cos(phase), np.sin(phase)
        cc, ss, cs = float(c @ c), float(s @ s), float(c @ s)
        cy, sy = float(c @ values), float(s @ values)
        determinant = cc * ss - cs * cs
        if determinant <= 1e-6 * cc * ss:  # readings at two phases only
            return np.zeros_like(values), 0.0
        a, b = (cy * ss - sy * cs) / determinant, (sy * cc - cy * cs) / determinant
        return a * c + b * s, sqrt(a * a + b * b)

    def aliases(self, frequency: float, power: Floats, noise: float) -> list[float]:
        """Other frequencies that fit the readings (nearly) as well. `noise` is the root of the noise power of a bin."""
        own = self._near(power, frequency)
        limit = min(ALIKE * own, own - UNSURE * noise)
        found: list[float] = []
        for shift in self._shifts:
            for other in (abs(shift - frequency), shift + frequency):
                distinct = all(abs(other - f) * self._length > 2.5 for f in (frequency, *found))
                inside = self._lowest <= other <= self._highest * 1.01
                if inside and distinct and self._near(power, other) >= limit:
                    found.append(other)
        return found

    def _near(self, power: Floats, frequency: float) -> float:
        k = round(frequency * self._length)
        return sqrt(float(power[max(0, k - 1) : k + 2].max(initial=0.0)))

    def error(self, floor: Floats, frequency: float) -> float:
        """Standard error of an amplitude at a frequency: that of white noise as strong as the noise is there."""
        k = min(round(frequency * self._length), len(floor) - 1)
        return sqrt(2.0 * float(floor[k]) / float(self._hann @ self._hann) / len(self._x))


def _floor(power: Floats, *, greatest: bool = True) -> Floats:
    """Mean noise power round each bin from the bins on both sides: the greater, or the mean of both."""
    padded = np.pad(power, NEIGHBOURS + GUARD, mode="reflect")
    side = np.median(np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS), axis=1) / log(2)
    left, right = side[: len(power)], side[NEIGHBOURS + 2 * GUARD + 1 :][: len(power)]
    floor: Floats = np.maximum(left, right) if greatest else (left + right) / 2
    return floor
