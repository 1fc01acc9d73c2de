"""Computed tags: named functions of other tags, aligned by metre.

Inputs of one station are taken together when each has spoken since the last result. Inputs of several stations are aligned by
metre: the result is made when the most downstream station has seen the piece, from what the others saw there.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence

from ..readings import BAD, UNCERTAIN, Measured, Quality, Tag
from .plan import ComputedPlan, Registration, Station

FUNCTIONS: dict[str, Callable[[Sequence[float]], float]] = {
    "mean": lambda v: sum(v) / len(v),
    "difference": lambda v: abs(v[0] - v[1]),
    "sum": sum,
    "ratio": lambda v: v[0] / v[1],
    "min": min,
    "max": max,
}
"""Functions by name. `difference` is the absolute difference of two inputs (ovality), `ratio` the first over the second."""

KEPT = 40_000
"""Readings of an upstream input kept for alignment, at most."""


class ComputedTag:
    """One computed tag. `reading(m)` gives its next value, or None while inputs are missing."""

    def __init__(
        self, plan: ComputedPlan, tags: Mapping[str, Tag], stations: Mapping[str, Station], registration: Registration
    ) -> None:
        self.tag = plan.tag
        self.of = plan.of
        self._function = FUNCTIONS[plan.function]
        self._registration = registration
        self._positions = {name: stations[tags[name].station].position for name in plan.of}
        last = max(self._positions.values())
        self._downstream = {name for name in plan.of if self._positions[name] == last}
        self._upstream = {name: deque[Measured](maxlen=KEPT) for name in plan.of if name not in self._downstream}
        self._fresh: dict[str, Measured] = {}

    def reading(self, m: Measured) -> Measured | None:
        """Take one input; make the value when the last input's piece is complete."""
        if m.tag in self._upstream:
            self._upstream[m.tag].append(m)
            return None
        self._fresh[m.tag] = m
        if len(self._fresh) < len(self._downstream):
            return None
        inputs: list[Measured] = []
        for name in self.of:
            found = self._fresh[name] if name in self._downstream else self._seen_at(name, m)
            if found is None:
                self._fresh.clear()
                return None
            inputs.append(found)
        self._fresh.clear()
        return self._make(m, inputs)

    def _seen_at(self, name: str, m: Measured) -> Measured | None:
        ring = self._upstream[name]
        doubt = self._registration.between(self._positions[name] - max(self._positions.values()), m.speed)
        # what lies well behind cannot be asked for again
        while ring and ring[0].end < m.metre - doubt - 1.0:
            ring.popleft()
        best: Measured | None = None
        for piece in ring:
            if piece.start - doubt > m.metre:
                break
            if best is None or abs(piece.metre - m.metre) < abs(best.metre - m.metre):
                best = piece
        if best is None or abs(best.metre - m.metre) > doubt + (best.end - best.start):
            return None
        return best

    def _make(self, m: Measured, inputs: Sequence[Measured]) -> Measured:
        quality: Quality = max(i.quality for i in inputs)
        reason = next((f"{i.tag}: {i.reason or i.quality.word}" for i in inputs if i.quality is quality and quality), "")
        value = float("nan")
        if quality is not BAD:
            try:
                value = self._function([i.value for i in inputs])
            except ZeroDivisionError:
                quality, reason = BAD, "division by zero"
        start = max(i.start for i in inputs)
        end = min(i.end for i in inputs)
        if end <= start:  # seen at nearby metres only: the piece is the newest one's, in doubt
            start, end = m.start, m.end
            if quality < UNCERTAIN and len(self._upstream) > 0 and m.uncertainty > self._registration.length:
                quality = UNCERTAIN
        return Measured(
            self.tag,
            m.time,
            value,
            quality,
            reason,
            m.metre,
            start,
            end,
            max(i.uncertainty for i in inputs),
            all(i.covered for i in inputs) and quality is not BAD,
            m.speed,
        )
