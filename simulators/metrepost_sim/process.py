"""What the PLC knows: temperatures, pressures, screws, accumulator, cuts, switches; pure functions of time.

Levels are common practice (no source) and are for simulation only.
"""

from collections.abc import Callable

import numpy as np

from .motion import Floats, Motion
from .noise import key, wander, white
from .scenario import Scenario

NITROGEN = 120.0
WATER = 22.0
AIR = 3.2
AIR_FAILED = 1.1
_SLOW = (7.0, 41.0, 173.0)


class Process:
    """Process values of one scenario. `value(tag, t)` gives what the node of a tag holds at times `t`."""

    def __init__(self, scenario: Scenario, motion: Motion) -> None:
        self._scenario = scenario
        self._motion = motion
        self._cuts: Floats = np.array(sorted(c.at for c in scenario.reel_changes), dtype=np.float64)
        self._accumulator = self._accumulator_corners()
        self._nodes: dict[str, Callable[[Floats], Floats]] = {
            "preheater.temperature": self._level("preheater.temperature", 118.0, 0.4, 0.1, "preheat"),
            "inner-extruder.melt": self._level("inner-extruder.melt", 172.0, 0.2, 0.1),
            "inner-extruder.screw": self._level("inner-extruder.screw", 14.0, 0.03, 0.1),
            "foam-extruder.melt": self._level("foam-extruder.melt", 176.0, 0.2, 0.1, "melt"),
            "foam-extruder.screw": self._level("foam-extruder.screw", scenario.surface.screw_rpm, 0.05, 0.1),
            "foam-extruder.pressure": self._level("foam-extruder.pressure", 168.0, 0.8, 0.1, noise=0.15),
            "foam-extruder.nitrogen": self.nitrogen_shown,
            "outer-extruder.melt": self._level("outer-extruder.melt", 178.0, 0.2, 0.1),
            "outer-extruder.screw": self._level("outer-extruder.screw", 11.0, 0.03, 0.1),
            "trough.water": lambda t: np.round(self.water(t), 1),
            "wipe.air": self.air,
            "accumulator.content": lambda t: np.round(self.accumulator(t), 2),
            "take-up.cut": self.cuts,
            "take-up.reel": lambda t: scenario.first_reel + self.cuts(t),
            "plc.recipe": self.recipe,
            "plc.threading": lambda t: _within(t, [(s.at, s.until) for s in scenario.threading]),
            "plc.emergency_stop": lambda t: _within(t, [(s.at, s.until) for s in scenario.stops if s.emergency]),
        }

    @property
    def tags(self) -> frozenset[str]:
        """Tags that this part can make."""
        return frozenset(self._nodes)

    def value(self, tag: str, t: Floats) -> Floats:
        """What the node shows at `t` (s), in the tag's unit. Raises KeyError for an unknown tag."""
        return self._nodes[tag](t)

    def _level(
        self, tag: str, level: float, wandering: float, step: float, disturbed_by: str = "", noise: float = 0.0
    ) -> Callable[[Floats], Floats]:
        slow, fast = key(self._scenario.seed, tag), key(self._scenario.seed, tag + "~")

        def show(t: Floats) -> Floats:
            value = level + wandering * wander(slow, t, _SLOW)
            if disturbed_by:
                value = value + self.disturbance(disturbed_by, t)
            if noise:
                value = value + noise * white(fast, t, 10.0)
            return np.round(value / step) * step

        return show

    def disturbance(self, what: str, t: Floats) -> Floats:
        """Sum of the disturbances of one kind at `t`."""
        total = np.zeros_like(t)
        for d in self._scenario.disturbances:
            if d.what == what:
                corners = np.cumsum([d.at, d.rise, d.hold, d.fall])
                total = total + d.amount * np.interp(t, corners, [0.0, 1.0, 1.0, 0.0])
        return total

    def nitrogen(self, t: Floats) -> Floats:
        """Nitrogen pressure, bar."""
        return NITROGEN + 0.25 * wander(key(self._scenario.seed, "nitrogen"), t, _SLOW) + self.disturbance("nitrogen", t)

    def nitrogen_shown(self, t: Floats) -> Floats:
        """Nitrogen pressure as the node shows it."""
        return np.round(self.nitrogen(t), 1)

    def water(self, t: Floats) -> Floats:
        """Water temperature, degC."""
        return WATER + 0.08 * wander(key(self._scenario.seed, "water"), t, (97.0, 411.0)) + self.disturbance("water", t)

    def air(self, t: Floats) -> Floats:
        """Air pressure of the wipe, bar; falls with a time constant of 0.7 s while the wipe fails."""
        value = AIR + 0.02 * wander(key(self._scenario.seed, "air"), t, _SLOW)
        for failure in self._scenario.wipe_failures:
            lost = 1.0 - np.exp(-np.clip(t, failure.at, failure.until) / 0.7 + failure.at / 0.7)
            back = np.exp(-np.clip(t - failure.until, 0.0, 60.0) / 0.7)
            value = value - (AIR - AIR_FAILED) * lost * back
        return np.round(value, 2)

    def _accumulator_corners(self) -> tuple[Floats, Floats]:
        at, content = [-1.0], [self._scenario.accumulator]
        for change in sorted(self._scenario.reel_changes, key=lambda c: c.at):
            begin = max(change.at - change.fill, at[-1] + 1e-3)
            if change.at <= begin:
                raise ValueError(f"the reel change at {change.at} s begins before the one ahead of it has ended")
            # the take-up goes on at a fifth of line speed while the accumulator swallows the rest
            passed = np.diff(self._motion.counter(np.array([begin, change.at])))[0]
            at += [begin, change.at, change.at + change.empty]
            content += [
                self._scenario.accumulator,
                self._scenario.accumulator + 0.8 * float(passed),
                self._scenario.accumulator,
            ]
        return np.array(at), np.array(content)

    def accumulator(self, t: Floats) -> Floats:
        """Cable in the accumulator, m."""
        return np.interp(t, *self._accumulator)

    def cuts(self, t: Floats) -> Floats:
        """How many cuts there have been."""
        return np.searchsorted(self._cuts, t, side="right").astype(np.float64)

    def recipe(self, t: Floats) -> Floats:
        """The recipe in make at the die."""
        value = np.full_like(t, float(self._scenario.recipe))
        for change in sorted(self._scenario.products, key=lambda c: c.at):
            value = np.where(t >= change.at, float(change.recipe), value)
        return value


def _within(t: Floats, spans: list[tuple[float, float]]) -> Floats:
    inside = np.zeros_like(t)
    for at, until in spans:
        inside = np.where((t >= at) & (t < until), 1.0, inside)
    return inside
