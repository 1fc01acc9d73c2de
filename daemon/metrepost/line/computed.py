"""Computed tags: named functions of other tags, aligned by metre.

Inputs of one station are taken together when each has spoken since the last result. Inputs of several stations are aligned by
metre: the result is made when the most downstream station has seen the piece, from what the others saw there.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence

from ..readings import BAD, UNCERTAIN, Measured, Quality, Tag
from ..readings.units import affine
from .physical import PHYSICAL
from .plan import ComputedPlan, Product, Registration, Station

FUNCTIONS: dict[str, Callable[[Sequence[float]], float]] = {
    "mean": lambda v: sum(v) / len(v),
    "difference": lambda v: abs(v[0] - v[1]),
    "sum": sum,
    "ratio": lambda v: v[0] / v[1],
    "min": min,
    "max": max,
}
"""Functions by name. `difference` is the absolute difference of two inputs (ovality), `ratio` the first over the second."""

PRODUCT = "product."
"""An option that begins so is a value of the product of the metre."""

KEPT = 40_000
"""Readings of an upstream input kept for alignment, at most."""


class ComputedTag:
    """One computed tag. `reading(m)` gives its next value, or None while inputs are missing."""

    def __init__(
        self, plan: ComputedPlan, tags: Mapping[str, Tag], stations: Mapping[str, Station], registration: Registration
    ) -> None:
        self.plan = plan
        self.tag = plan.tag
        self.of = plan.of
        self._physical = PHYSICAL.get(plan.function)
        self._function = FUNCTIONS.get(plan.function)
        self._options = plan.options
        self._affine = (
            [affine(tags[name].unit, unit) for name, unit in zip(plan.of, self._physical.inputs, strict=True)]
            if self._physical is not None
            else []
        )
        self._of_product: dict[str, dict[str, float | str] | str] = {}
        self._registration = registration
        self._positions = {name: stations[tags[name].station].position for name in plan.of}
        last = max(self._positions.values())
        self._downstream = {name for name in plan.of if self._positions[name] == last}
        self._upstream = {name: deque[Measured](maxlen=KEPT) for name in plan.of if name not in self._downstream}
        self._fresh: dict[str, Measured] = {}

    def reading(self, m: Measured, product: Product) -> Measured | None:
        """Take one input; make the value when the last input's piece is complete. `product` is that of the metre."""
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
        return self._make(m, inputs, product)

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

    def _value(self, values: Sequence[float], product: Product) -> float:
        """Raises ValueError (with a sentence) or ZeroDivisionError where there is no value."""
        if self._physical is None:
            assert self._function is not None
            return self._function(values)
        options = self._of_product.get(product.name)
        if options is None:
            options = self._of_product[product.name] = self._resolve(product)
        if isinstance(options, str):
            raise ValueError(options)  # noqa: TRY004  a sentence about the product, not a wrong type
        turned = [v * factor + offset for v, (factor, offset) in zip(values, self._affine, strict=True)]
        return self._physical.formula(turned, options)

    def _resolve(self, product: Product) -> dict[str, float | str] | str:
        """The options for one product, or what is missing."""
        assert self._physical is not None
        found: dict[str, float | str] = {}
        for name, option in self._physical.options.items():
            given = self._options.get(name, option.default)
            if isinstance(given, str) and given.startswith(PRODUCT):
                value = product.values.get(given.removeprefix(PRODUCT))
                if value is None:
                    return f"product {product.name or 'not known'} has no {given.removeprefix(PRODUCT)}"
                factor, offset = affine(value.unit, option.unit or "")
                found[name] = value.target * factor + offset
            elif given is not None:
                found[name] = given
        return found

    def _make(self, m: Measured, inputs: Sequence[Measured], product: Product) -> Measured:
        quality: Quality = max(i.quality for i in inputs)
        reason = next((f"{i.tag}: {i.reason or i.quality.word}" for i in inputs if i.quality is quality and quality), "")
        value = float("nan")
        if quality is not BAD:
            try:
                value = self._value([i.value for i in inputs], product)
            except ZeroDivisionError:
                quality, reason = BAD, "division by zero"
            except ValueError as error:
                quality, reason = BAD, str(error)
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
