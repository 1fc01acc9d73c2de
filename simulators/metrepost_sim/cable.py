"""The core as it lies along the metre axis: diameters, roundness and capacitance, without noise and without flaws."""

import numpy as np

from .foam import capacitance, gas_share
from .line_file import LineFile
from .motion import Floats, Motion
from .noise import generator, key, wander
from .process import NITROGEN, WATER, Process
from .scenario import Scenario

DIAMETER_PER_BAR = 0.005
"""Growth of the core (mm) a bar of nitrogen (common practice in size, no source)."""
GAS_PER_BAR = 0.0015
"""Share of gas a bar of nitrogen (common practice in size, no source)."""
EXPANSION = 1.6e-4
"""Linear expansion of polyethylene near room temperature, 1/K (handbook range 1.3e-4 to 2.0e-4; from memory)."""
STOP_BULGE = 0.35
"""Bulge (mm) at the die where the line stood; it reaches about 1.5 m to either side (no source)."""
SLOW_SWELL = 0.12
"""Growth (mm) towards standstill while the screws lag behind a changing line speed (no source)."""


class Cable:
    """The undisturbed core of one scenario. Metres are true counter metres; all results are vectors over `metres`."""

    def __init__(self, scenario: Scenario, motion: Motion, process: Process, line: LineFile) -> None:
        self._scenario = scenario
        self._motion = motion
        self._process = process
        self._reference = line.reference
        self._trough = line.place("trough").position
        seed = scenario.seed
        self._drift = key(seed, "drift")
        self._roundness = key(seed, "roundness")
        self._twist = key(seed, "twist")
        self._conductor_drift = key(seed, "conductor")
        self._phases = generator(seed, "phases").uniform(0.0, 2 * np.pi, 3)
        self._gas = {r: gas_share(p["conductor"], p["dielectric"], p["impedance"]) for r, p in line.product_targets.items()}
        self._corners = self._recipe_corners(line)
        stops = np.array([s.at for s in scenario.stops], dtype=np.float64)
        # the cable that was at the die when the line came to rest, a moment before it goes on
        at_rest = np.array([s.until for s in scenario.stops], dtype=np.float64) - 0.5
        self._bulges: Floats = motion.counter(np.maximum(stops, at_rest)) + line.reference if len(stops) else stops

    def _recipe_corners(self, line: LineFile) -> tuple[Floats, Floats, Floats, Floats]:
        """Corners of (metre, core, conductor, gas) along the cable."""
        recipes = [(-1e9, 0.0, self._scenario.recipe)]
        for change in sorted(self._scenario.products, key=lambda c: c.at):
            metre = float(self._motion.counter(np.array([change.at]))[0]) + self._reference
            recipes.append((metre, change.over, change.recipe))
        metres: list[float] = []
        core: list[float] = []
        conductor: list[float] = []
        gas: list[float] = []
        for i, (metre, over, recipe) in enumerate(recipes):
            if recipe not in line.product_targets:
                raise ValueError(f"recipe {recipe} is none of the line file; it has {sorted(line.product_targets)}")
            target = line.product_targets[recipe]
            if i:
                metres.append(metre)
                core.append(core[-1])
                conductor.append(conductor[-1])
                gas.append(gas[-1])
            metres.append(metre + over)
            core.append(target["dielectric"])
            conductor.append(target["conductor"])
            gas.append(self._gas[recipe])
        return np.array(metres), np.array(core), np.array(conductor), np.array(gas)

    def made_at(self, metres: Floats) -> Floats:
        """When these metres were at the die, s."""
        return self._motion.time_at(metres - self._reference)

    def _common(self, metres: Floats, made: Floats) -> Floats:
        s = self._scenario.surface
        at, core, _, _ = self._corners
        value: Floats = np.interp(metres, at, core) + s.drift * wander(self._drift, metres, (37.0, 211.0, 1303.0))
        value = value + s.screw * np.sin(2 * np.pi * s.screw_rpm / 60.0 * made + self._phases[0])
        value = value + s.haul_off * np.sin(2 * np.pi * metres / s.haul_off_length + self._phases[1])
        value = value + DIAMETER_PER_BAR * (self._process.nitrogen(made) - NITROGEN)
        nominal = self._scenario.speed / 60.0
        slow = np.clip(1.0 - self._motion.speed(made) / nominal, 0.0, 1.0)
        value = value + SLOW_SWELL * slow**3
        for bulge in self._bulges:
            value = value + STOP_BULGE * np.exp(-0.5 * ((metres - bulge) / 1.5) ** 2)
        return value

    def cold(self, metres: Floats) -> Floats:
        """Diameter (mm) of the cooled core."""
        value = self._common(metres, self.made_at(metres))
        in_water = self._motion.time_at(metres - self._reference + self._trough)
        return value * (1.0 + EXPANSION * (self._process.water(in_water) - WATER))

    def hot(self, metres: Floats) -> Floats:
        """Diameter (mm) right after the die, before it shrinks."""
        return self._common(metres, self.made_at(metres)) / (1.0 - self._scenario.surface.shrink)

    def half_ovality(self, metres: Floats) -> Floats:
        """Half the difference x - y, mm."""
        s = self._scenario.surface
        uneven = 1.0 + 0.2 * wander(self._roundness, metres, (29.0, 157.0))
        half: Floats = 0.5 * s.ovality * np.cos(2 * np.pi * metres / 83.0 + self._phases[2]) * uneven
        return half

    def twist(self, metre: float) -> float:
        """How far the core has turned between the two gauges, degrees."""
        s = self._scenario.surface
        return s.twist + s.twist_wander * float(wander(self._twist, np.array([metre]), (53.0, 331.0))[0])

    def conductor(self, metres: Floats) -> Floats:
        """Diameter (mm) of the conductor, faults of the pay-off included."""
        at, _, conductor, _ = self._corners
        value: Floats = np.interp(metres, at, conductor) + 0.0005 * wander(self._conductor_drift, metres, (61.0, 487.0))
        for fault in self._scenario.conductor:
            u = np.clip(np.abs(metres - fault.metre) / (fault.length / 2), 0.0, 1.0)
            value = value + fault.amount * np.where(u < 1.0, np.minimum(1.0, 4.0 * (1.0 - u)), 0.0)
        return value

    def capacitance(self, metres: Floats) -> Floats:
        """Capacitance in water, pF/m."""
        at, _, _, gas = self._corners
        share = np.interp(metres, at, gas) + GAS_PER_BAR * (self._process.nitrogen(self.made_at(metres)) - NITROGEN)
        return capacitance(self.conductor(metres), self.cold(metres), np.clip(share, 0.0, 0.9))
