"""`disagree`: two stations say different things of the same metre.

Both are averaged over the same pieces of cable. Hot and cold core differ by shrink, so a ratio is learned first (or given); what is judged
is how far the downstream value is from the upstream one times the ratio. Only pieces of which both saw good readings and no others
teach: a wet gauge, or one whose neighbour stands in for it, would teach a shrink that is none. Another product shrinks otherwise and is
learned anew. The ratio then stands, unlike that of `line.shrink`, which follows the gauges: one that follows would learn away a slow
disagreement.
"""

from collections.abc import Mapping
from math import isfinite
from typing import Any, Literal

from pydantic import Field

from ..readings import BAD, GOOD, Measured, Tag
from ..readings.units import Length, factor, same_dimension
from .contract import Condition, Finding, LimitText, Rule, Site, View
from .level import ABOVE_ZERO, Level, level_of
from .looking_up import find_tag, usable
from .one_limit import OneLimit
from .setpoint import Setpoint
from .wording import number

LEAST = 3
"""Readings that make a piece's mean, at least."""


class DisagreeSettings(OneLimit):
    """Keys of `kind = "disagree"`. `on_delay` and `off_delay` are lengths of cable, told in whole pieces."""

    kind: Literal["disagree"]
    reads: str
    against: str
    over: Length = 1.0
    tolerance: Setpoint
    learn: Length = 100.0
    ratio: float | None = Field(default=None, gt=0.0)
    on_delay: Length = 0.0
    off_delay: Length = 0.0

    def tags(self) -> tuple[str, ...]:
        """Both."""
        return (self.reads, self.against)

    def limits(self) -> dict[str, LimitText]:
        """``apart``."""
        return {"apart": self.text()}

    def build(self, name: str, site: Site) -> "DisagreeRule":
        """Refuses one tag against itself, different dimensions, a tolerance that is none, a line without axis."""
        tag, other = find_tag(site, self.reads), find_tag(site, self.against)
        if self.reads == self.against:
            site.fail("against", "a tag cannot disagree with itself")
        elif self.reads in site.tags and self.against in site.tags and not same_dimension(tag.unit, other.unit):
            site.fail("against", f"{other.name} is in {other.unit}, {tag.name} in {tag.unit}: they measure different things")
        if not site.has_axis:
            site.fail("over", "the same metre needs a length axis, and this line has no [length]")
        if not self.over > 0:
            site.fail("over", "must be more than 0")
        tolerance = level_of(site, "tolerance", self.tolerance, tag.unit, difference=True, least=ABOVE_ZERO)
        scale = factor(other.unit, tag.unit) if other.name in site.tags and same_dimension(tag.unit, other.unit) else 1.0
        positions = [site.stations[t.station].position for t in (tag, other) if t.station in site.stations]
        apart = max(positions, default=0.0) - min(positions, default=0.0)
        return DisagreeRule(name, self, tag, tolerance, scale, apart)


class DisagreeRule(Rule):
    """The running rule: means by piece of both tags, compared when both have gone past it."""

    def __init__(self, name: str, settings: DisagreeSettings, tag: Tag, tolerance: Level, scale: float, apart: float) -> None:
        super().__init__(name, settings)
        self._s = settings
        self._tag = tag
        self._tolerances = tolerance
        self._tolerance = tolerance.least()
        self._scale = scale
        self._kept = int((apart + 20.0) / max(settings.over, 1e-3)) + 4
        self._active = False
        self._clear()

    def _clear(self) -> None:
        self._pieces: dict[str, dict[int, list[float]]] = {self._s.reads: {}, self._s.against: {}}
        self._last: dict[str, int] = {}
        self._ratio = self._s.ratio
        self._lessons: list[float] = []
        self._run = 0
        self._begun: tuple[float, float] | None = None
        self._product: str | None = None  # by name: that for which the ratio was learned

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A reading of either."""
        pieces = self._pieces.get(m.tag)
        if pieces is None or not usable(m) or abs(m.value) > 1e100 or abs(m.metre) > 1e9:
            return []
        key = int(m.metre // self._s.over)
        last = self._last.get(m.tag)
        if last is not None and key < last:
            return []
        value = m.value * (self._scale if m.tag == self._s.against else 1.0)
        total = self._piece(pieces, key)
        total[0] += value
        total[1] += 1
        if m.quality is not GOOD:
            total[2] = 1.0
        if last is None or key == last:
            self._last[m.tag] = key
            return []
        self._last[m.tag] = key
        other = self._last.get(self._s.against if m.tag == self._s.reads else self._s.reads, last)
        return self._compare(last, m, view) if other > last or last in self._both() else []

    def _piece(self, pieces: dict[int, list[float]], key: int) -> list[float]:
        """Sum, readings, and whether any of them was not good (then 1) of a piece; the oldest are forgotten."""
        total = pieces.setdefault(key, [0.0, 0.0, 0.0])
        while len(pieces) > self._kept:
            del pieces[min(pieces)]
        return total

    def _both(self) -> set[int]:
        return set(self._pieces[self._s.reads]) & set(self._pieces[self._s.against])

    def _compare(self, key: int, m: Measured, view: View) -> list[Finding]:
        mine, theirs = self._pieces[self._s.reads].pop(key, None), self._pieces[self._s.against].get(key)
        if mine is None or theirs is None or mine[1] < LEAST or theirs[1] < LEAST or theirs[0] == 0:
            return []
        product = view.product_at(key * self._s.over)
        if view.product_at((key + 1) * self._s.over).name != product.name:
            return []  # made of both products: it says nothing of either
        if product.name != self._product:
            found = self._changed(product.name, key, m)
            if found:
                return found
        value, other = mine[0] / mine[1], theirs[0] / theirs[1]
        if self._ratio is None:
            if not mine[2] and not theirs[2]:
                self._learn(value / other)
            return []
        expected = other * self._ratio
        if not isfinite(expected):
            return []
        if self._tolerances.products is not None:
            self._tolerance = self._tolerances.known(product)
        return self._decide(abs(value - expected) > self._tolerance, key, value, expected, m)

    def _changed(self, product: str, key: int, m: Measured) -> list[Finding]:
        """Another product than before: a learned ratio is not its own, a given one stays. The first product changes nothing."""
        before, self._product = self._product, product
        if before is None or self._s.ratio is not None:
            return []
        self._ratio, self._lessons = None, []
        self._run, self._begun = 0, None
        if not self._active:
            return []
        self._active = False
        at = (m.time, key * self._s.over)
        return [self._condition(m, at, None, None, f"no longer judged: {product} follows {before}, its shrink is learned anew")]

    def _learn(self, ratio: float) -> None:
        self._lessons.append(ratio)
        if len(self._lessons) * self._s.over >= self._s.learn:
            ordered = sorted(self._lessons)
            self._ratio = ordered[len(ordered) // 2]
            self._lessons = []

    def _decide(self, apart: bool, key: int, value: float, expected: float, m: Measured) -> list[Finding]:
        if apart is self._active:
            self._run, self._begun = 0, None
            return []
        if self._begun is None:
            self._begun = (m.time, key * self._s.over)
        self._run += 1
        if (self._run - 1) * self._s.over < (self._s.on_delay if apart else self._s.off_delay):
            return []
        self._active = apart
        begun, self._begun, self._run = self._begun, None, 0
        unit = self._tag.unit
        text = (
            f"mean over {self._s.over:g} m {number(value, expected, unit)}, {self._s.against} says "
            f"{number(expected, expected, unit)} of the same metre (ratio {self._ratio:.4f}), allowed ± {self._tolerance:g} {unit}"
        )
        return [self._condition(m, begun, value, expected, text if apart else "both agree again")]

    def _condition(
        self, m: Measured, begun: tuple[float, float], value: float | None, expected: float | None, text: str
    ) -> Condition:
        return Condition(
            limit="apart",
            active=self._active,
            onset_time=begun[0],
            metre=begun[1],
            metre_uncertainty=m.uncertainty,
            start=begun[1],
            end=max(begun[1], m.metre),
            value=value,
            bound=expected,
            unit=self._tag.unit,
            quality=m.quality.word,
            explanation=text,
        )

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """Bad readings leave holes, and their piece teaches nothing; while `when` does not hold nothing is compared, and what was
        learned stays."""
        pieces = self._pieces.get(m.tag)
        if pieces is None:
            return []
        if m.quality is BAD:
            self._doubt(pieces, m)
            return []
        if not usable(m):
            return []
        pieces.clear()
        self._last.pop(m.tag, None)
        self._run, self._begun = 0, None
        if not self._active:
            return []
        self._active = False
        return [self._condition(m, (m.time, m.metre), None, None, "no longer judged: `when` does not hold")]

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: pieces and delays begin anew after it; what was learned stays."""
        pieces = self._pieces.get(m.tag)
        if pieces is not None and usable(m):
            pieces.clear()
            self._last.pop(m.tag, None)
            self._run, self._begun = 0, None
        return []

    def _doubt(self, pieces: dict[int, list[float]], m: Measured) -> None:
        if not isfinite(m.metre) or abs(m.metre) > 1e9:
            return
        key, last = int(m.metre // self._s.over), self._last.get(m.tag)
        if last is None or key >= last:
            self._piece(pieces, key)[2] = 1.0

    def snapshot(self) -> dict[str, Any]:
        """Pieces, what was learned, what is told."""
        return {
            "pieces": {tag: [[k, *v] for k, v in pieces.items()] for tag, pieces in self._pieces.items()},
            "last": dict(self._last),
            "learned": [self._ratio, list(self._lessons), self._product],
            "run": [self._run, None if self._begun is None else list(self._begun), self._active],
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        if "pieces" not in state:
            return
        for tag, rows in state["pieces"].items():
            if tag in self._pieces:
                self._pieces[tag] = {int(k): [total, n, rest[0] if rest else 0.0] for k, total, n, *rest in rows}
        self._last = {tag: int(key) for tag, key in state["last"].items()}
        self._ratio, lessons, *product = state["learned"]
        self._lessons, self._product = list(lessons), product[0] if product else None
        if self._s.ratio is not None:  # what the file says now
            self._ratio = self._s.ratio
        run, begun, self._active = state["run"]
        self._run, self._begun = run, None if begun is None else (begun[0], begun[1])
