"""Computed tags: named functions of other tags, aligned by metre.

Inputs of one place are taken together when each has spoken since the last result. Inputs of several places are aligned by metre: the
result is made when the most downstream station has seen the piece, from what the others saw there. Where one of them saw nothing
the result is bad and names it: silence would look like a value that stands.
"""

from collections.abc import Collection, Mapping, Sequence
from math import inf, nan

from ..readings import BAD, UNCERTAIN, Measured, Quality, Tag
from .formulas import Formula
from .plan import ComputedPlan, Product, Registration, Station
from .seen import Seen, centre

FORGET = 1.0
"""Metres behind the present one, beyond all doubt, that an upstream reading is kept for."""


class ComputedTag:
    """One computed tag. `reading(m, product)` gives its next value, or None while inputs of the same place are missing.

    `held` names tags that are reported on change: their value stands until the next one.
    """

    def __init__(
        self,
        plan: ComputedPlan,
        tags: Mapping[str, Tag],
        stations: Mapping[str, Station],
        registration: Registration,
        held: Collection[str] = (),
    ) -> None:
        self._made_of = (plan, registration, frozenset(held) & frozenset(plan.of))
        self.tag = plan.tag
        self.of = plan.of
        self._formula = Formula(plan, tags)
        self._registration = registration
        own = tags.get(plan.tag)
        self._low, self._high = (own.valid_low, own.valid_high) if own is not None else (-inf, inf)
        positions = {name: stations[tags[name].station].position for name in plan.of}
        last = max(positions.values())
        self._distance = {name: last - position for name, position in positions.items()}
        here = [name for name in plan.of if positions[name] == last]
        self._upstream = {name: Seen(held=name in held) for name in plan.of if positions[name] < last}
        # what must have spoken anew before there is a new value; where all are held, any of them
        self._awaited = frozenset(name for name in here if name not in held)
        self._fresh: dict[str, Measured] = {}
        self._standing: dict[str, Measured] = {}

    def same_as(self, other: "ComputedTag") -> bool:
        """Whether both are made of the same, on one line: then one can go on in place of the other."""
        return self._made_of == other._made_of

    def reading(self, m: Measured, product: Product) -> Measured | None:
        """Take one input; make the value when the last input's piece is complete. `product` is that of the metre."""
        tag = m.tag
        upstream = self._upstream.get(tag)
        if upstream is not None:
            if m.uncertainty < inf:
                upstream.add(m)
            return None
        fresh = self._fresh
        if tag in self._awaited:
            fresh[tag] = m
            if len(fresh) < len(self._awaited):
                return None
        else:
            self._standing[tag] = m
            if self._awaited:
                return None
        inputs: list[Measured] = []
        missing = ""
        for name in self.of:
            found = fresh.get(name) or self._standing.get(name)
            if found is None:
                if name not in self._upstream:
                    missing = missing or f"{name}: no reading yet"
                    continue
                found = self._seen_at(name, m)
            if found is not None:
                inputs.append(found)
            elif not missing:
                missing = self._why_missing(name, m)
        fresh.clear()
        return self._bad(m, missing) if missing else self._make(m, inputs, product)

    def _doubt(self, name: str, m: Measured) -> float:
        return self._registration.between(self._distance[name], m.speed)

    def _seen_at(self, name: str, m: Measured) -> Measured | None:
        if m.uncertainty == inf:
            return None
        seen, doubt = self._upstream[name], self._doubt(name, m)
        seen.forget(m.metre - doubt - FORGET)
        return seen.at(centre(m), doubt)

    def _why_missing(self, name: str, m: Measured) -> str:
        """One of few texts, always the same: what changes is sent."""
        if m.uncertainty == inf:
            return f"{name}: the metre is not known, so readings of two stations cannot be matched"
        first = self._upstream[name].first
        if first is None:
            return f"{name}: no reading yet"
        if m.metre < first - self._doubt(name, m):
            return f"{name}: not yet seen, the cable passed it before its first reading"
        return f"{name}: no reading of this metre"

    def _bad(self, m: Measured, reason: str) -> Measured:
        return Measured(
            self.tag, m.time, nan, BAD, reason, m.metre, m.start, m.end, m.uncertainty, covered=False, speed=m.speed
        )

    def _make(self, m: Measured, inputs: Sequence[Measured], product: Product) -> Measured:
        quality: Quality = inputs[0].quality
        start, end, doubt, covered = inputs[0].start, inputs[0].end, inputs[0].uncertainty, inputs[0].covered
        for i in inputs:
            if i.quality > quality:
                quality = i.quality
            if i.start > start:
                start = i.start
            if i.end < end:
                end = i.end
            if i.uncertainty > doubt:
                doubt = i.uncertainty
            covered = covered and i.covered
        reason = ""
        if quality:
            reason = next(f"{i.tag}: {i.reason or i.quality.word}" for i in inputs if i.quality is quality)
        value, uncertainty = nan, None
        if quality is not BAD:
            worked = self._formula.of([i.value for i in inputs], [i.value_uncertainty for i in inputs], product)
            value, uncertainty = worked.value, worked.uncertainty
            if worked.wrong:
                quality, reason = BAD, worked.wrong
            elif not self._low <= value <= self._high:
                quality, reason = BAD, "range"
        if end <= start:  # seen at nearby metres only: the piece is the newest one's, in doubt
            start, end = m.start, m.end
            if quality < UNCERTAIN and self._upstream and m.uncertainty > self._registration.length:
                quality, reason = UNCERTAIN, "seen at nearby metres only"
        return Measured(
            self.tag,
            m.time,
            value,
            quality,
            reason,
            m.metre,
            start,
            end,
            doubt,
            covered and quality is not BAD,
            m.speed,
            uncertainty,
        )
