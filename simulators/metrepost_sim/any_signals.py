"""What the tags of any line show: every signal a pure function of time, taken from the one core line behind them."""

import math
from collections.abc import Callable, Mapping

import numpy as np

from metrepost.readings.units import affine, same_dimension
from metrepost.rules.bit import BitSettings

from .any_file import AnyLine
from .line import VOLTAGE, CoreLine
from .motion import Floats
from .noise import key, wander, white
from .roles import Role, allowed_by_rules

Signal = Callable[[Floats], Floats]

_PROCESS: dict[Role, tuple[str, float, str]] = {
    # role: value of the core line's PLC, its level and unit
    "water": ("trough.water", 22.0, "degC"),
    "nitrogen": ("foam-extruder.nitrogen", 120.0, "bar"),
    "air": ("wipe.air", 3.2, "bar"),
    "melt": ("foam-extruder.melt", 176.0, "degC"),
    "preheat": ("preheater.temperature", 118.0, "degC"),
    "pressure": ("foam-extruder.pressure", 168.0, "bar"),
    "screw": ("foam-extruder.screw", 48.0, "rpm"),
}
_PLAIN: dict[Role, tuple[str, str]] = {
    # role: signal of the core line, and the unit it is in ("" for a number)
    "speed": ("capstan.speed", "m/min"),
    "length": ("capstan.length", "m"),
    "content": ("accumulator.content", "m"),
    "cut": ("take-up.cut", ""),
    "reel": ("take-up.reel", ""),
    "recipe": ("plc.recipe", ""),
    "threading": ("plc.threading", ""),
    "emergency-stop": ("plc.emergency_stop", ""),
    "spark-faults": ("spark-tester.faults", ""),
    "spark-on": ("spark-tester.voltage_on", ""),
}
_LEVELS = (("degC", 22.0), ("bar", 2.0), ("%", 50.0), ("rpm", 30.0), ("kV", 3.5), ("mm", 5.0), ("m/min", 80.0), ("A", 10.0))
"""Levels of what nothing is known about, by unit (a choice)."""
_SKIN_SCREWS = {"inner": 14.0, "bond": 14.0, "outer": 11.0, "skin": 11.0}
"""Speeds (rpm) of the screws whose tags are named so: only that of the foam prints on the core."""
_SLOW = (11.0, 67.0, 301.0)
_INTEGERS = {"int16": (-(2.0**15), 2.0**15 - 1), "uint16": (0.0, 2.0**16 - 1), "bool": (0.0, 1.0)} | {
    f"{sign}int{bits}": (-(2.0 ** (bits - 1)) if not sign else 0.0, 2.0 ** (bits if sign else bits - 1) - 1)
    for bits in (32, 64)
    for sign in ("", "u")
}


def _range_of(line: AnyLine) -> dict[str, tuple[float, float]]:
    """What a tag can show at all: its `valid` range and what its register can hold."""
    found = {name: (tag.valid_low, tag.valid_high) for name, tag in line.loaded.plan.tags.items()}
    for r in line.file.registers:
        if r.type in _INTEGERS and r.bit is None:
            ends = sorted(raw * r.scale + r.offset for raw in _INTEGERS[r.type])
            low, high = found[r.tag]
            found[r.tag] = (max(low, ends[0]), min(high, ends[1]))
    return found


class Signals:
    """The signals of one line by tag, in the tag's unit; core gauges are left out, they have registers of their own.

    `levels` and `noises` of the scenario stand for those that were found, in the tag's unit.
    """

    def __init__(
        self,
        line: AnyLine,
        core: CoreLine,
        levels: Mapping[str, float] | None = None,
        noises: Mapping[str, float] | None = None,
    ) -> None:
        self._line = line
        self._core = core
        self._levels = dict(levels or {})
        self._noises = dict(noises or {})
        self._ranges = _range_of(line)
        product = line.core.product_values.get(core.scenario.recipe, "")
        self._wanted = allowed_by_rules(line.loaded, product)
        self._resting = {s.reads for _, s in line.loaded.rules if isinstance(s, BitSettings) and not s.alarm_when}
        self.by_tag: dict[str, Signal] = {tag: self._signal(tag, role) for tag, role in line.roles.items() if role != "core"}

    def clipped(self, tag: str, value: Floats) -> Floats:
        """Within what the tag can show."""
        return np.clip(value, *self._ranges[tag])

    def _signal(self, tag: str, role: Role) -> Signal:
        if tag in self._levels and role not in _PROCESS and role != "spark-voltage":
            role = "noise"
        if role in _PROCESS:
            return self._process(tag, role)
        if role in _PLAIN:
            return self._plain(tag, role)
        if role == "conductor":
            return self._by_metre(tag, self._core.cable.conductor, "mm", 0.0004)
        if role == "capacitance":
            return self._by_metre(tag, self._core.cable.capacitance, "pF/m", 0.01)
        if role == "spark-voltage":
            share = self._level(tag, self._in_unit(tag, VOLTAGE, "kV")) / VOLTAGE
            return lambda t: share * self._core.value("spark-tester.voltage", t)
        if role == "bit":
            resting = 1.0 if tag in self._resting else 0.0
            return lambda t: np.full_like(t, resting)
        return self._noise(tag)

    def _unit(self, tag: str) -> str:
        return self._line.loaded.plan.tags[tag].unit

    def _in_unit(self, tag: str, value: float, unit: str) -> float:
        own = self._unit(tag)
        if not same_dimension(own, unit):
            return value
        factor, offset = affine(unit, own)
        return value * factor + offset

    def _plain(self, tag: str, role: Role) -> Signal:
        source, unit = _PLAIN[role]
        own = self._unit(tag)
        factor = affine(unit, own)[0] if unit and same_dimension(own, unit) else 1.0
        if role == "length":  # a counter that runs over begins anew, whatever `valid` says
            return lambda t: factor * self._core.value(source, t)
        return lambda t: self.clipped(tag, factor * self._core.value(source, t))

    def _by_metre(self, tag: str, seen: Signal, unit: str, spread: float) -> Signal:
        own = self._unit(tag)
        factor, zero = affine(unit, own) if same_dimension(own, unit) else (1.0, 0.0)
        ahead = self._core.file.reference - self._line.file.place(tag.partition(".")[0]).position
        noise = key(self._core.scenario.seed, tag)

        def show(t: Floats) -> Floats:
            value = seen(self._core.motion.counter(t) + ahead) + spread * white(noise, t)
            return self.clipped(tag, value * factor + zero)

        return show

    def _level(self, tag: str, usual: float | None) -> float:
        """The level that the scenario sets, else the usual one where rules and range allow it, else the middle of what they allow."""
        if tag in self._levels:
            return self._levels[tag]
        known = self._line.loaded.plan.tags[tag]
        rules = self._wanted.get(tag, (-math.inf, math.inf))
        low, high = max(known.valid_low, rules[0]), min(known.valid_high, rules[1])
        if low >= high:
            low, high = known.valid_low, known.valid_high
        bounded = math.isfinite(low) and math.isfinite(high)
        if usual is None and not bounded:
            usual = next((self._in_unit(tag, v, u) for u, v in _LEVELS if same_dimension(self._unit(tag), u)), 50.0)
        if usual is not None:
            margin = min(0.05 * abs(usual), 0.1 * (high - low))
            first, last = self._ranges[tag]
            if max(low, first) + margin <= usual <= min(high, last) - margin:
                return usual
        if bounded:
            return (low + high) / 2
        assert usual is not None
        low, high = max(low, self._ranges[tag][0]), min(high, self._ranges[tag][1])
        if usual <= (low + high) / 2 or math.isinf(high):  # the open side is wide, so a fifth beyond the bound will do
            return low + min(max(0.2 * abs(low), 1e-3), (high - low) / 2)
        return high - min(max(0.2 * abs(high), 1e-3), (high - low) / 2)

    def _room(self, tag: str, level: float) -> float:
        """How far a value may leave its level before it leaves what rules and range allow."""
        low, high = self._ranges[tag]
        first, last = self._wanted.get(tag, (low, high))
        return max(0.0, min(level - max(low, first), min(high, last) - level))

    def _process(self, tag: str, role: Role) -> Signal:
        source, nominal, unit = _PROCESS[role]
        own = self._unit(tag)
        factor = affine(unit, own)[0] if same_dimension(own, unit) else 1.0
        base = self._core.scenario.surface.screw_rpm if role == "screw" else nominal
        skin = next((rpm for word, rpm in _SKIN_SCREWS.items() if role == "screw" and word in tag), base)
        level = self._level(tag, self._in_unit(tag, skin, unit))
        noise, spread = key(self._core.scenario.seed, tag), self._noises.get(tag)
        quiet = 0.002 * abs(level) if spread is None else spread
        quiet = min(quiet, 0.1 * self._room(tag, level)) if spread is None else quiet

        def show(t: Floats) -> Floats:
            away = factor * (self._core.value(source, t) - base)
            return self.clipped(tag, level + away + quiet * wander(noise, t, _SLOW))

        return show

    def _noise(self, tag: str) -> Signal:
        level = self._level(tag, None)
        room = self._room(tag, level)
        spread = self._noises.get(tag)
        if spread is None:
            spread = min(0.005 * abs(level) or 0.01, 0.1 * room) if math.isfinite(room) else 0.005 * abs(level) or 0.01
        noise = key(self._core.scenario.seed, tag)
        return lambda t: self.clipped(tag, level + spread * (0.8 * wander(noise, t, _SLOW) + 0.2 * white(noise, t, 10.0)))
