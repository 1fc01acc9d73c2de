"""The registers of the line's devices: stateless ones, and peak-hold ones that begin anew at every read.

One instance is one set of devices. Reads must come in order of time; whoever reads a peak-hold register resets it.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .gauge import RATE, Gauge, Samples
from .line import CoreLine
from .motion import Floats
from .truth import Truth

Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

_HOLDS = {"max": np.maximum, "min": np.minimum, "mean": np.add}


class Devices:
    """All registers and nodes. `read` gives what a device serves; the truth learns of it."""

    def __init__(self, line: CoreLine, truth: Truth) -> None:
        self.line = line
        self.truth = truth
        self._gauges = {name: _GaugeRegisters(line, gauge, truth) for name, gauge in line.gauges.items()}
        self._scale = {r.tag: (r.scale, r.offset, r.latency, r.type) for r in line.file.registers}
        self._held: dict[str, float] = {}
        self.frozen: set[str] = set()

    def read(self, tags: Sequence[str], t: Floats, answered: Flags | None = None) -> dict[str, Floats]:
        """Values of `tags`, all read at the device times `t` (s, in order), quantised as their registers are.

        `answered` marks the reads whose answer reached the reader: the others reset the registers all the same.
        """
        answered = np.ones(len(t), dtype=np.bool_) if answered is None else answered
        values: dict[str, Floats] = {}
        by_gauge: dict[str, list[str]] = {}
        for tag in tags:
            station, _, local = tag.partition(".")
            if station in self._gauges:
                by_gauge.setdefault(station, []).append(local)
            else:
                still, zero = self._faults(station, t)
                values[tag] = self._hold(tag, self._plain(tag, t), still, zero)
        for station, locals_ in by_gauge.items():
            latency = self.line.file.place(station).latency
            still, zero = self._faults(station, t)
            read = self._gauges[station].read(locals_, t - latency)
            for local, raw in read.items():
                values[f"{station}.{local}"] = self._hold(
                    f"{station}.{local}", self._quantised(f"{station}.{local}", raw), still, zero
                )
            served = {local: values[f"{station}.{local}"] for local in locals_}
            self._gauges[station].tell(served, answered, answered & ~still & ~zero)
        return values

    def silent(self, tags: Sequence[str], t: float) -> bool:
        """Whether the device does not answer when it is asked for these tags at `t`: the demonstration line always does."""
        del tags, t
        return False

    def restart(self, station: str, t: float) -> None:
        """A device was off and starts again at `t`: its held registers know nothing of the time before."""
        if station in self._gauges:
            self._gauges[station].restart(t - self.line.file.place(station).latency)

    def _plain(self, tag: str, t: Floats) -> Floats:
        latency = self._scale[tag][2] if tag in self._scale else 0.0
        return self._quantised(tag, self.line.value(tag, t - latency))

    def _quantised(self, tag: str, value: Floats) -> Floats:
        scale, offset, _, kind = self._scale.get(tag, (1.0, 0.0, 0.0, "float64"))
        if kind == "float32":
            return value.astype(np.float32).astype(np.float64)
        if kind == "float64":
            return value
        return np.rint((value - offset) / scale) * scale + offset

    def _faults(self, station: str, t: Floats) -> tuple[Flags, Flags]:
        still = np.full(len(t), station in self.frozen, dtype=np.bool_)
        zero = np.zeros(len(t), dtype=np.bool_)
        for outage in self.line.scenario.outages:
            if outage.name == station and outage.what != "down":
                inside = (t >= outage.at) & (t < outage.until)
                still, zero = (still | inside, zero) if outage.what == "freeze" else (still, zero | inside)
        return still, zero

    def _hold(self, tag: str, value: Floats, still: Flags, zero: Flags) -> Floats:
        """Put frozen and zeroed reads in place."""
        if still.any():
            place = np.maximum.accumulate(np.where(still, -1, np.arange(len(value))))
            value = np.where(place >= 0, value[np.maximum(place, 0)], self._held.get(tag, float(value[0])))
        self._held[tag] = float(value[-1])
        return np.where(zero, 0.0, value) if zero.any() else value


class _GaugeRegisters:
    """Instantaneous and held registers of one gauge."""

    def __init__(self, line: CoreLine, gauge: Gauge, truth: Truth) -> None:
        self._line = line
        self._gauge = gauge
        self._truth = truth
        self._last: dict[str, int] = {}
        self._window: dict[str, tuple[Samples, Ints, Ints]] = {}

    def restart(self, t: float) -> None:
        """Forget what was held before `t`."""
        now = int(np.floor(t * RATE + 1e-6))
        for local, last in self._last.items():
            if "_" in local and self._gauge.hot and now > last:
                ends = np.array([last, now]) / RATE
                low, high = self._line.metre(self._gauge.place.name, ends)
                self._truth.hole(float(low), float(high))
            self._last[local] = max(now, last)

    def read(self, locals_: Sequence[str], t: Floats) -> dict[str, Floats]:
        """Values (mm) for samples taken until each of `t` (s)."""
        ends: Ints = np.floor(t * RATE + 1e-6).astype(np.int64)
        values: dict[str, Floats] = {}
        self._window = {}
        windows: dict[int, tuple[Samples, Ints, Ints]] = {}
        for local in locals_:
            # instantaneous registers remember too: the truth asks for the piece between two reads
            last = self._last.get(local, int(ends[0]) - 1)
            if last not in windows:
                starts = np.minimum(np.concatenate(([last], ends[:-1])) + 1, ends)
                samples = self._gauge.samples(int(starts[0]), int(ends[-1]))
                windows[last] = (samples, starts - samples.first, ends - samples.first)
            samples, i, j = self._window[local] = windows[last]
            signal = samples.axes[0 if local.startswith("x") else 1]
            _, _, hold = local.partition("_")
            if not hold:
                values[local] = signal[j]
            else:
                values[local] = _HOLDS[hold].reduceat(signal[: int(j[-1]) + 1], i)
                if hold == "mean":
                    values[local] = values[local] / (j - i + 1)
            self._last[local] = int(ends[-1])
        return values

    def tell(self, served: dict[str, Floats], answered: Flags, works: Flags) -> None:
        """Tell the truth what reads with these served values showed. `works`: answered by a gauge that was not faulty."""
        for local, value in served.items():
            axis, _, hold = local.partition("_")
            if hold == "mean":
                continue
            samples, i, j = self._window[local]
            start, end = samples.metre[i], samples.metre[j]
            if self._gauge.hot and hold:
                tag = f"{self._gauge.place.name}.{local}"
                self._truth.read(tag, float(start[0]), float(end[-1]))
                for n in np.flatnonzero(~works).tolist():
                    self._truth.hole(float(start[n]), float(end[n]))
            base = samples.base[0 if axis == "x" else 1]
            for index, flaw in self._gauge.flaws.overlapping(float(start[0]), float(end[-1])):
                neck = flaw.kind == "neck"
                if hold and hold != ("min" if neck else "max"):
                    continue
                first, last = int(np.searchsorted(end, flaw.start)), int(np.searchsorted(start, flaw.end, side="right"))
                met = value[first:last][answered[first:last]]
                if len(met):
                    middle = min(int(np.searchsorted(samples.metre, flaw.metre)), len(base) - 1)
                    rise = base[middle] - met.min() if neck else met.max() - base[middle]
                    self._truth.saw(self._gauge.place.name, hold or "instant", index, float(rise))
