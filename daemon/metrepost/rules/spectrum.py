"""Lines in the spectrum of a series by metre: which periods stand out, how strong, how sure, and what they may be mistaken for.

The readings are weighted (Hann over the window) and transformed where they really lie, down to periods of `FINEST`, far below twice
their spacing: the true period of a line is then among those compared, and what a short period looks like to sparse readings is never
taken for it. The strongest line is fitted and taken away, and the rest looked at again.

*Significance.* In noise the power of a bin over its mean is exponentially distributed, so for M bins searched and a false-alarm level α
for the whole window the threshold is ln(M/α), times `CAUTION` for a floor that is itself an estimate. The floor is local: the greater
of the medians on both sides (median of an exponential = mean × ln 2; the greatest-of detector of radar, from memory), the upper one
also as noise that falls as steeply as a random walk's would lie here (1/f²). Slow noise so counts as noise, at the price of a higher
threshold for the longest periods. Held by simulation in tests/benchmarks/bars_periodic.py.

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
CAUTION = 1.35
"""Factor on the threshold for a floor estimated from `NEIGHBOURS` bins a side."""
RED = 400
"""Bins up to which noise may fall with frequency; further up the slope within `NEIGHBOURS` is nothing."""
COHERENT = 0.1
"""|W|² from which a shift makes aliases."""
ALIKE = 0.7
"""An alias with so much of the line's amplitude cannot be told from it (a line between two bins loses a fifth) …"""
UNSURE = 4.0
"""… nor one that is weaker by less than so many times the noise of a bin."""
BESIDE = 4.5
"""Bins within which a second line is taken for the unsteadiness of the first."""
SLOWER = 0.7
"""Lines down to this share of the lowest frequency asked for are told from drift, and then let be; what is slower is taken away."""
FITTED = 6
"""Aliases of a line that are fitted, at most: with more of them the readings are too even to tell anyway."""
MOST = 12
"""Lines looked for in one window, at most."""
GOLDEN = (sqrt(5) - 1) / 2
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
    if len(seen.searched) == 0:
        return []  # so sparse that drift itself may stand for any period
    rest = seen.without_drift(values)
    threshold = CAUTION * log(len(seen.searched) / false_alarm)
    found: list[Line] = []
    taken: list[float] = []
    for _ in range(MOST):
        power = seen.power(rest)
        floor = seen.floor(power)
        ratio = power[seen.searched] / np.maximum(floor[seen.searched], 1e-300)
        best = int(seen.searched[int(np.argmax(power[seen.searched] * (ratio > threshold)))])
        if power[best] <= threshold * floor[best]:
            break
        # a true line between two bins may be weaker there than its image on one: the fits decide
        alike = sorted(seen.aliases(best / length, power, sqrt(float(floor[best]))), key=lambda f: -power[round(f * length)])
        fits = [seen.fit(rest, f) for f in (best / length, *alike[:FITTED])]
        frequency, fitted, amplitude, _ = max(fits, key=lambda fit: fit[3])
        rest = rest - fitted
        alike = sorted([frequency, *seen.aliases(frequency, power, sqrt(float(floor[best])))])
        slow = alike[0] < 1 / longest - 0.3 / length  # slower than asked, or the image of that
        wanted = [f for f in alike if f <= 1.01 / shortest]
        beside = any(abs(f - t) * length < BESIDE for f in alike for t in taken)
        taken.extend([frequency, *seen.images(frequency)])
        if wanted and not beside and not slow:
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
        self._kept = 2 * top + 2 * NEIGHBOURS
        window = self.power(np.ones_like(self._x)) / float(self._hann.sum()) ** 2
        peak = np.flatnonzero((window[1:-1] > COHERENT) & (window[1:-1] >= window[:-2]) & (window[1:-1] >= window[2:])) + 1
        self._shifts = [(float(k) / self._length, float(window[k])) for k in peak if k > 4]
        slowest = max(4, int(np.ceil(self._length / longest)))
        searched = np.arange(slowest, top + 1)
        for shift, _ in self._shifts:  # there lie the aliases of drift
            searched = searched[np.abs(searched - round(shift * self._length)) >= slowest]
        self.searched = searched

    def power(self, values: Floats) -> Floats:
        """Power of each bin; its mean in white noise of variance σ² is σ² · Σ hann²."""
        grid = np.bincount(self._at, values * self._hann, self._points)
        spectrum: Floats = np.abs(np.fft.rfft(grid)[: self._kept + 1]) ** 2
        return spectrum

    def without_drift(self, values: Floats) -> Floats:
        """The series without its mean and what is slower than about twice `longest`: a cubic and cosines, by least squares."""
        orders = np.arange(1 + max(2, int(1.1 * self._length * self._lowest)))
        cosines = np.cos(np.outer(self._x, orders * (pi / self._length)))
        design = np.column_stack([cosines, *((self._x / self._length - 0.5) ** power for power in (1, 2, 3))])
        centred = values - values.mean()
        weights, *_ = np.linalg.lstsq(design.T @ design, design.T @ centred, rcond=None)  # a quarter of the time
        left: Floats = centred - design @ weights
        return left

    def fit(self, values: Floats, frequency: float) -> tuple[float, Floats, float, float]:
        """Frequency near `frequency` that fits best (golden section: the main lobe is unimodal), then what `_sinusoid` says of it."""
        low, high = frequency - 0.6 / self._length, frequency + 0.6 / self._length
        first, second = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        at_first, at_second = self._sinusoid(values, first)[2], self._sinusoid(values, second)[2]
        for _ in range(11):  # to 0.6 % of a bin
            if at_first < at_second:
                low, first, at_first = first, second, at_second
                second = low + GOLDEN * (high - low)
                at_second = self._sinusoid(values, second)[2]
            else:
                high, second, at_second = second, first, at_first
                first = high - GOLDEN * (high - low)
                at_first = self._sinusoid(values, first)[2]
        best = (low + high) / 2
        return (best, *self._sinusoid(values, best))

    def _sinusoid(self, values: Floats, frequency: float) -> tuple[Floats, float, float]:
        """Least squares of cosine and sine at one frequency: the fit, its amplitude, and the sum of squares it explains."""
        phase = 2 * pi * frequency * self._x
        c, s = np.cos(phase), np.sin(phase)
        cc, ss, cs = float(c @ c), float(s @ s), float(c @ s)
        cy, sy = float(c @ values), float(s @ values)
        determinant = cc * ss - cs * cs
        if determinant <= 1e-6 * cc * ss:  # readings at two phases only
            return np.zeros_like(values), 0.0, 0.0
        a, b = (cy * ss - sy * cs) / determinant, (sy * cc - cy * cs) / determinant
        return a * c + b * s, sqrt(a * a + b * b), a * cy + b * sy

    def aliases(self, frequency: float, power: Floats, noise: float) -> list[float]:
        """Other frequencies that fit the readings (nearly) as well. `noise` is the root of the noise power of a bin."""
        own = self._near(power, frequency)
        limit = min(ALIKE * own, own - UNSURE * noise)
        found: list[float] = []
        for other in self.images(frequency):
            distinct = all(abs(other - f) * self._length > 2.5 for f in (frequency, *found))
            inside = SLOWER * self._lowest <= other <= self._highest * 1.01
            if inside and distinct and self._near(power, other) >= limit:
                found.append(other)
        return found

    def images(self, frequency: float) -> list[float]:
        """Where else a line shows because of the spacing of the readings."""
        return [other for shift, _ in self._shifts for other in (abs(shift - frequency), shift + frequency)]

    def floor(self, power: Floats) -> Floats:
        """The noise floor of each bin; beside a shift there is the image of slow noise too."""
        floor = _floor(power)
        slow = floor[:RED].copy()
        for shift, coherence in self._shifts:
            centre = round(shift * self._length)
            for start, step in ((centre, 1), (centre, -1)):
                at = start + step * np.arange(len(slow))
                inside = (at >= 0) & (at < len(floor))
                floor[at[inside]] = np.maximum(floor[at[inside]], coherence * slow[inside])
        return floor

    def _near(self, power: Floats, frequency: float) -> float:
        k = round(frequency * self._length)
        return sqrt(float(power[max(0, k - 1) : k + 2].max(initial=0.0)))

    def error(self, floor: Floats, frequency: float) -> float:
        """Standard error of an amplitude at a frequency: that of white noise as strong as the noise is there."""
        k = min(round(frequency * self._length), len(floor) - 1)
        return sqrt(2.0 * float(floor[k]) / float(self._hann @ self._hann) / len(self._x))


def _floor(power: Floats, *, greatest: bool = True) -> Floats:
    """Mean noise power round each bin from the bins on both sides: the greatest guess, or the mean of both sides."""
    padded = np.pad(power, NEIGHBOURS + GUARD, mode="reflect")
    sides = np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS)
    apart = NEIGHBOURS + 2 * GUARD + 1  # from the row of the bins below one to that of the bins above it
    medians = _median(sides) / log(2)
    left, right = medians[: len(power)], medians[apart:][: len(power)]
    if not greatest:
        mean: Floats = (left + right) / 2
        return mean
    few = min(len(power), RED)
    bins = np.maximum(1.0, np.arange(few))[:, None]
    steep = ((bins + np.arange(GUARD + 1, GUARD + 1 + NEIGHBOURS)) / bins) ** 2
    floor: Floats = np.maximum(left, right)
    floor[:few] = np.maximum(floor[:few], _median(sides[apart:][:few] * steep) / log(2))
    return floor


def _median(rows: Floats) -> Floats:
    """Median of each row of an even number."""
    half = rows.shape[1] // 2
    parted = np.partition(rows, (half - 1, half), axis=1)
    middle: Floats = (parted[:, half - 1] + parted[:, half]) / 2
    return middle
