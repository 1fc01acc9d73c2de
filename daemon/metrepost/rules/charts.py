"""Control charts on standardized values z = (x − mean)/sigma: EWMA, tabular CUSUM, run rules. One update a subgroup.

EWMA: Lucas and Saccucci, *Technometrics* 32 (1990) 1–12. CUSUM: NIST/SEMATECH e-Handbook 6.3.2.3. Run rules: Western Electric (1956).
All three from memory; their published run lengths and examples are checked in tests/reference/test_control_charts.py. `allowance` (in
sigma, 0 for a known mean) widens every chart by what a learned mean may be off.
"""

from collections import deque
from collections.abc import Sequence
from math import sqrt
from typing import Literal

Side = Literal["up", "down"]


class Ewma:
    """Exponentially weighted moving average with asymptotic limits ±L·√(λ/(2−λ))."""

    def __init__(self, weight: float, limit: float, allowance: float = 0.0) -> None:
        self.weight = weight
        self.bound = limit * sqrt(weight / (2 - weight)) + allowance
        self.level = 0.0

    def update(self, z: float) -> Side | None:
        """Take one value; the side on which the chart signals."""
        self.level += self.weight * (z - self.level)
        return "up" if self.level > self.bound else "down" if self.level < -self.bound else None

    def calm(self, side: Side) -> bool:
        """Whether a signal on that side is over: back within half of the limit."""
        return self.level < self.bound / 2 if side == "up" else self.level > -self.bound / 2

    def state(self) -> list[float]:
        """For a restart."""
        return [self.level]

    def restore(self, state: Sequence[float]) -> None:
        """Take back a state."""
        (self.level,) = state


class Cusum:
    """Tabular cumulative sums: S+ = max(0, S+ + z − k), S− = max(0, S− − z − k); a signal above h."""

    def __init__(self, reference: float, decision: float, allowance: float = 0.0) -> None:
        self.reference = reference + allowance
        self.decision = decision
        self.high = 0.0
        self.low = 0.0

    def update(self, z: float) -> Side | None:
        """Take one value; the side on which the chart signals (the larger sum)."""
        self.high = max(0.0, self.high + z - self.reference)
        self.low = max(0.0, self.low - z - self.reference)
        if max(self.high, self.low) <= self.decision:
            return None
        # a sum that ran on for long would keep the alarm for as long again: twice the decision is as certain as it gets
        self.high, self.low = min(self.high, 2 * self.decision), min(self.low, 2 * self.decision)
        return "up" if self.high >= self.low else "down"

    def calm(self, side: Side) -> bool:
        """Whether a signal on that side is over: the sum is back below half of the decision interval."""
        return (self.high if side == "up" else self.low) < self.decision / 2

    def state(self) -> list[float]:
        """For a restart."""
        return [self.high, self.low]

    def restore(self, state: Sequence[float]) -> None:
        """Take back a state."""
        self.high, self.low = state


ZONES: dict[int, tuple[int, int, float]] = {1: (1, 1, 3.0), 2: (2, 3, 2.0), 3: (4, 5, 1.0), 4: (8, 8, 0.0)}
"""Western Electric rules: so many of so many in a row beyond so many sigma on one side."""


class RunRules:
    """Western Electric run rules. `stretched` lengthens the run of rule 4 for correlated values."""

    def __init__(self, rules: Sequence[int] = (1, 4), stretched: float = 1.0, allowance: float = 0.0) -> None:
        self.rules = tuple(rules)
        self._zones = [
            (round(need * stretched), round(of * stretched), beyond + allowance)
            if rule == 4
            else (need, of, beyond + allowance)
            for rule, (need, of, beyond) in ((rule, ZONES[rule]) for rule in self.rules)
        ]
        self._last: deque[float] = deque(maxlen=max(of for _, of, _ in self._zones))

    def update(self, z: float) -> Side | None:
        """Take one value; the side on which a rule signals. A new series cannot signal a run before it is that long."""
        self._last.append(z)
        last = list(self._last)
        for need, of, beyond in self._zones:
            window = last[-of:]
            # a rule is told by the point that completes it: the newest one must be beyond the line itself
            if window[-1] > beyond and sum(v > beyond for v in window) >= need:
                return "up"
            if window[-1] < -beyond and sum(v < -beyond for v in window) >= need:
                return "down"
        return None

    def calm(self, side: Side) -> bool:
        """Whether a signal on that side is over: the newest value lies on the other side of the mean."""
        return not self._last or (self._last[-1] < 0 if side == "up" else self._last[-1] > 0)

    def state(self) -> list[float]:
        """For a restart."""
        return list(self._last)

    def restore(self, state: Sequence[float]) -> None:
        """Take back a state."""
        self._last.extend(state)


Chart = Ewma | Cusum | RunRules
