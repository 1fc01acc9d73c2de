"""The devices of any line: core gauges with their held registers, everything else by its signal, and what the scenario breaks."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from metrepost.readings import Hold
from metrepost.readings.units import affine

from .any_file import AnyLine
from .any_signals import Signals
from .gauge import RATE, Gauge
from .line import CoreLine
from .motion import Floats
from .registers import Devices, Flags
from .scenario import Forced
from .truth import Truth

_Y = re.compile(r"(^|[_.-])(y|v|vertical|2|d2|dy)([_.-]|$)")
_REDUCE: dict[Hold, Callable[[Floats], Any]] = {Hold.MAX: np.max, Hold.MIN: np.min, Hold.MEAN: np.mean}


@dataclass(frozen=True)
class _CoreTag:
    """A diameter of the core: `gauge` is the gauge of the core line, `local` its register, or "" with a `window` (s) looked back."""

    gauge: str
    axis: str
    hold: Hold
    local: str
    window: float
    factor: float
    zero: float


class AnyDevices:
    """All registers and nodes of one line. `read` gives what a device serves; the truth learns of it.

    Reads must come in order of time; whoever reads a peak-hold register resets it.
    """

    def __init__(
        self,
        line: AnyLine,
        core: CoreLine,
        truth: Truth,
        levels: Mapping[str, float] | None = None,
        noises: Mapping[str, float] | None = None,
    ) -> None:
        self._line = line
        self._core = core
        for stand_in in line.stand_ins.values():
            if stand_in not in core.gauges:
                core.gauges[stand_in] = self._gauge(stand_in)
        self._inner = Devices(core, truth)
        self.signals = Signals(line, core, levels, noises)
        self._gauges = self._core_tags()
        self._latency = {name: line.loaded.plan.stations[tag.station].latency for name, tag in line.loaded.plan.tags.items()}
        self._held: dict[str, float] = {}
        self.frozen: set[str] = set()

    def _gauge(self, name: str) -> Gauge:
        core = self._core
        return Gauge(core.scenario, core.motion, core.cable, core.flaws, core.file.place(name), core.file.reference)

    def _core_tags(self) -> dict[str, _CoreTag]:
        """Which register of which gauge each diameter of the core is: axes by name, else the first of a station is x."""
        found: dict[str, _CoreTag] = {}
        axes: dict[tuple[str, Hold], int] = {}
        taken: set[tuple[str, str]] = set()
        for name, role in self._line.roles.items():
            if role != "core":
                continue
            tag = self._line.loaded.plan.tags[name]
            before = axes.get((tag.station, tag.hold), 0)
            axes[tag.station, tag.hold] = before + 1
            axis = "y" if _Y.search(tag.local_name) or (before % 2 and not tag.local_name.startswith("x")) else "x"
            gauge = self._line.stand_ins[tag.station]
            local = axis if tag.hold is Hold.INSTANT else f"{axis}_{tag.hold.value}" if tag.since_read else ""
            window = tag.window
            if tag.since_read and (gauge, local) in taken:
                local, window = "", tag.interval  # the register of the gauge is cleared by the other tag
            taken.add((gauge, local))
            factor, zero = affine("mm", tag.unit)
            found[name] = _CoreTag(gauge, axis, tag.hold, local, window, factor, zero)
        return found

    def read(self, tags: Sequence[str], t: Floats, answered: Flags | None = None) -> dict[str, Floats]:
        """Values of `tags` in their units, all read at the device times `t` (s, in order)."""
        now = float(t[-1])
        still, zero = self._broken(now)
        self._inner.frozen = {self._line.stand_ins[s] for s in still | zero if s in self._line.stand_ins}
        asked = sorted({f"{c.gauge}.{c.local}" for tag in tags if (c := self._gauges.get(tag)) and c.local})
        diameters = self._inner.read(asked, t, answered) if asked else {}
        values: dict[str, Floats] = {}
        for tag in tags:
            station = tag.partition(".")[0]
            core = self._gauges.get(tag)
            if core is None:
                value = self.signals.by_tag[tag](t - self._latency[tag])
            else:
                seen = (
                    diameters[f"{core.gauge}.{core.local}"] if core.local else self._looked_back(core, t - self._latency[tag])
                )
                value = seen * core.factor + core.zero
            value = self._forced(tag, value, t)
            if station in still and tag in self._held:
                value = np.full_like(value, self._held[tag])
            self._held[tag] = float(value[-1])
            values[tag] = np.zeros_like(value) if station in zero else value
        return values

    def _looked_back(self, core: _CoreTag, t: Floats) -> Floats:
        gauge = self._core.gauges[core.gauge]
        row = 0 if core.axis == "x" else 1
        shown = []
        for end in np.floor(t * RATE + 1e-6).astype(np.int64).tolist():
            first = end - max(0, round(core.window * RATE) - 1)
            shown.append(float(_REDUCE[core.hold](gauge.samples(first, end).axes[row])))
        return np.array(shown)

    def _broken(self, now: float) -> tuple[set[str], set[str]]:
        """Stations that stand still, and those that read 0."""
        still, zero = set(self.frozen), set[str]()
        for outage in self._core.scenario.outages:
            if outage.at <= now < outage.until and outage.what != "down":
                (still if outage.what == "freeze" else zero).add(outage.name)
        return still, zero

    def _forced(self, tag: str, value: Floats, t: Floats) -> Floats:
        for forced in self._core.scenario.forced:
            if forced.tag == tag and forced.value is not None:
                inside = (t >= forced.at) & (t < forced.until)
                share = np.clip((t - forced.at) / forced.over, 0.0, 1.0) if forced.over else np.ones_like(t)
                value = np.where(inside, value + share * (forced.value - value), value)
        return value

    def silent(self, tags: Sequence[str], t: float) -> bool:
        """Whether one of these tags is silent at `t`: its device does not answer."""
        return any(self._hushes(f, tags, t) for f in self._core.scenario.forced)

    @staticmethod
    def _hushes(forced: Forced, tags: Sequence[str], t: float) -> bool:
        return forced.value is None and forced.tag in tags and forced.at <= t < forced.until

    def restart(self, station: str, t: float) -> None:
        """A device was off and starts again at `t`: its held registers know nothing of the time before."""
        if (stand_in := self._line.stand_ins.get(station)) is not None:
            self._inner.restart(stand_in, t)
