"""Lines in the spectrum of a series by metre: which periods stand out, how strong, how sure, and what they may be mistaken for.

The series is put on an even grid, detrended and windowed (Hann), and each bin is compared with the noise floor of its neighbours. In
noise the ratio is exponentially distributed, so for M bins and a false-alarm level α the threshold is ln(M/α) (times `CAUTION`, for a
floor that is itself estimated; held by simulation in tests/benchmarks/bars_periodic.py). Period and amplitude then come from a
least-squares fit of a sinusoid at the metres where the readings really lie.
"""

from collections.abc import Sequence
from math import log, pi, sin, sqrt

import msgspec
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

NEIGHBOURS = 24
"""Bins on each side that give the noise floor."""
CAUTION = 1.35
"""Factor on the threshold for a floor estimated from 2 × NEIGHBOURS bins."""
TWIN = 0.5
"""An alias that explains the readings at least so well (share of power) cannot be told from the line."""
MOST = 8
"""Lines told of one window, at most."""


class Line(msgspec.Struct, frozen=True):
    """A line: period (m), amplitude with its standard error (unit of the series), and periods it cannot be told from (m)."""

    period: float
    amplitude: float
    error: float
    aliases: tuple[float, ...] = ()


def sinc(x: float) -> float:
    """sin(πx)/(πx): what an average over x periods leaves of a sinusoid."""
    return 1.0 if x == 0 else sin(pi * x) / (pi * x)


def lines(metres: Floats, values: Floats, *, shortest: float, longest: float, false_alarm: float) -> list[Line]:
    """Lines with periods of `shortest` to `longest` metres, strongest first. [] when there is too little to say anything.

    Periods below twice the spacing of the readings are not looked for; where a line within could be the alias of a period between
    `shortest` and there, `aliases` names it.
    """
    n = len(metres)
    if n < 128:
        return []
    spacing = float(np.median(np.diff(metres)))
    length = float(metres[-1] - metres[0])
    if spacing <= 0 or length <= 4 * longest or n < 0.5 * length / spacing:
        return []
    detrended = values - np.polyval(np.polyfit(metres - metres[0], values, 2), metres - metres[0])
    count = int(length / spacing)
    grid = metres[0] + spacing * np.arange(count)
    even = np.interp(grid, metres, detrended)
    power = np.abs(np.fft.rfft(even * np.hanning(count))) ** 2
    frequency = np.fft.rfftfreq(count, spacing)
    wanted = (frequency >= 1 / longest) & (frequency <= min(1 / shortest, 0.45 / spacing))
    bins = np.flatnonzero(wanted)
    if len(bins) < 2 * NEIGHBOURS:
        return []
    floor = _floor(power)
    ratio = power / np.maximum(floor, 1e-300)
    threshold = CAUTION * log(len(bins) / false_alarm)
    peaks = [b for b in bins[np.argsort(ratio[bins])[::-1]] if ratio[b] > threshold]
    found: list[Line] = []
    taken: list[int] = []
    rest = detrended.copy()
    for b in peaks:
        if len(found) >= MOST:
            break
        if any(abs(int(b) - t) <= 4 for t in taken):
            continue
        taken.append(int(b))
        line, fitted = _fit(metres, rest, float(frequency[b]), 1.5 / length, spacing, shortest)
        rest = rest - fitted
        found.append(line)
    noise = float(np.std(rest)) * sqrt(2.0 / n)
    return sorted((msgspec.structs.replace(line, error=noise) for line in found), key=lambda line: -line.amplitude)


def _floor(power: Floats) -> Floats:
    """Mean noise power round each bin, from the median of its neighbours (median of an exponential = mean × ln 2)."""
    width = 2 * NEIGHBOURS + 1
    padded = np.pad(power, NEIGHBOURS, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    floor: Floats = np.median(windows, axis=1) / log(2)
    return floor


def _sinusoid(metres: Floats, values: Floats, frequency: float) -> tuple[float, Floats]:
    """Least-squares amplitude and fitted values at one frequency."""
    phase = 2 * np.pi * frequency * (metres - metres[0])
    design = np.column_stack([np.cos(phase), np.sin(phase), np.ones_like(phase)])
    found, *_ = np.linalg.lstsq(design, values, rcond=None)
    fitted: Floats = design[:, :2] @ found[:2]
    return float(np.hypot(found[0], found[1])), fitted


def _refined(metres: Floats, values: Floats, frequency: float, width: float) -> tuple[float, float, Floats]:
    """The frequency near `frequency` (± `width`) that fits best: ternary search, the main lobe is unimodal."""
    low, high = frequency - width, frequency + width
    for _ in range(26):
        third = (high - low) / 3
        if _sinusoid(metres, values, low + third)[0] < _sinusoid(metres, values, high - third)[0]:
            low += third
        else:
            high -= third
    best = (low + high) / 2
    return (best, *_sinusoid(metres, values, best))


def _fit(
    metres: Floats, values: Floats, frequency: float, width: float, spacing: float, shortest: float
) -> tuple[Line, Floats]:
    best, amplitude, fitted = _refined(metres, values, frequency, width / 2)
    twins: list[float] = []
    for order in (1, 2, 3):
        for alias in (order / spacing - best, order / spacing + best):
            if alias > 1 / shortest or alias <= best * 1.02:
                continue
            # an alias is found beside where even spacing would put it
            other, size, other_fitted = _refined(metres, values, alias, width)
            if size**2 >= TWIN * amplitude**2:
                twins.append(1 / other)
            if size**2 > amplitude**2 / TWIN:
                # the readings lie unevenly enough to say that the shorter period is the true one
                best, amplitude, fitted, twins = other, size, other_fitted, []
    return Line(1 / best, amplitude, 0.0, tuple(sorted(twins))), fitted


def on_grid(metres: Sequence[float], values: Sequence[float]) -> tuple[Floats, Floats]:
    """Arrays in order of metre."""
    x, y = np.asarray(metres, dtype=np.float64), np.asarray(values, dtype=np.float64)
    order = np.argsort(x, kind="stable")
    return x[order], y[order]
