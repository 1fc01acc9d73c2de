"""`drift`: the mean of a value over pieces of cable leaves where it was, long before a band is broken.

Readings are averaged over subgroups of cable. Mean and sigma of the subgroup means are given, or learned over a stretch. The lag-1
correlation r of the subgroups is learned with them: neighbours that resemble each other make a chart signal too early, so sigma is
widened by √((1+r)/(1−r)) for r above 0 (variance of a mean of an AR(1) series, from memory) and runs are lengthened alike. A learned
mean is off by up to two of its standard errors, which every chart allows for.
"""

from collections import deque
from collections.abc import Mapping
from itertools import pairwise
from math import isfinite, sqrt
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from ..line.plan import PRODUCT, Toleranced
from ..readings import BAD, Measured, Tag
from ..readings.units import AnyQuantity, Length, UnitError, affine, factor
from .charts import Chart, Cusum, Ewma, RunRules, Side
from .contract import Condition, Finding, LimitText, Rule, RuleSettings, Site, View
from .forecast import Forecast, forecast
from .level import Level, level_of, product_keys
from .looking_up import find_tag, in_unit, usable
from .setpoint import Setpoint
from .wording import number

Method = Literal["ewma", "cusum", "runs"]
METHODS = ("ewma", "cusum", "runs")
RECENT = 20
"""Subgroup means kept for the forecast."""
LEAST = 8
"""Subgroups that teach mean and sigma, at least."""
MOST_CORRELATED = 0.9


def _some(value: object) -> object:
    return (value,) if isinstance(value, str) else tuple(value) if isinstance(value, list) else value


class DriftSettings(RuleSettings):
    """Keys of `kind = "drift"`."""

    kind: Literal["drift"]
    reads: str
    subgroup: Length = 10.0
    method: Annotated[tuple[Method, ...], BeforeValidator(_some), Field(min_length=1)] = ("ewma",)
    learn: Length = 300.0
    mean: Setpoint | None = None
    sigma: AnyQuantity | None = None
    least: Setpoint | None = None
    weight: float = Field(default=0.2, gt=0.0, le=1.0)
    ewma_limit: float = Field(default=4.0, gt=0.0)
    cusum_k: float = Field(default=0.5, ge=0.0)
    cusum_h: float = Field(default=8.0, gt=0.0)
    limits_: str | None = Field(default=None, alias="limits")
    up: LimitText | None = None
    down: LimitText | None = None

    def tags(self) -> tuple[str, ...]:
        """One."""
        return (self.reads,)

    def limits(self) -> dict[str, LimitText]:
        """``up`` and ``down``, as far as they are written."""
        return {name: text for name, text in (("up", self.up), ("down", self.down)) if text is not None}

    def build(self, name: str, site: Site) -> "DriftRule":
        """Refuses wrong dimensions, unknown product values, a stretch too short to learn from, a line without axis."""
        tag = find_tag(site, self.reads)
        if not self.limits():
            site.fail("", "a drift rule needs [up], [down] or both")
        if not site.has_axis:
            site.fail("subgroup", "subgroups are lengths of cable, and this line has no [length]")
        if self.subgroup <= 0:
            site.fail("subgroup", "must be more than 0")
        if (self.mean is None or self.sigma is None) and self.learn < LEAST * self.subgroup:
            site.fail(
                "learn", f"{self.learn:g} m are fewer than {LEAST} subgroups of {self.subgroup:g} m: too few to learn from"
            )
        mean = level_of(site, "mean", self.mean, tag.unit) if self.mean is not None else Level()
        if self.limits_ is not None:
            self._check_limits(site, self.limits_, tag)
        sigma = in_unit(site, "sigma", self.sigma, tag.unit, difference=True) if self.sigma is not None else None
        if sigma is not None and not sigma > 0:
            site.fail("sigma", f"{self.sigma} is not above 0")
        least = level_of(site, "least", self.least, tag.unit, difference=True) if self.least is not None else Level(0.0)
        return DriftRule(name, self, tag, mean, sigma, least)

    def _check_limits(self, site: Site, text: str, tag: Tag) -> None:
        key = "limits"
        if not text.startswith(PRODUCT):
            site.fail(
                key, f'write a value of the product with its tolerance, such as "{PRODUCT}dielectric"', product_keys(site)
            )
            return
        for product in site.products.values():
            value = product.values.get(text.removeprefix(PRODUCT))
            if value is None:
                site.fail(key, f"product {product.name} has no value {text.removeprefix(PRODUCT)!r}", product_keys(site))
                return
            if value.tolerance is None:
                site.fail(key, f"{text} of product {product.name} has no tolerance, so there is no band to foretell")
            try:
                affine(value.unit, tag.unit)
            except UnitError:
                site.fail(key, f"{text} is in {value.unit}, the tag in {tag.unit or '1 (no unit)'}")


class DriftRule(Rule):
    """The running rule: learning, then judging. Learning begins anew with every product."""

    def __init__(self, name: str, settings: DriftSettings, tag: Tag, mean: Level, sigma: float | None, least: Level) -> None:
        super().__init__(name, settings)
        self._s = settings
        self._tag = tag
        self._given_mean = mean
        self._given_sigma = sigma
        self._least = least
        self._product = ""
        self._reset()

    def _reset(self) -> None:
        self._bin: int | None = None
        self._sum = 0.0
        self._n = 0
        self._lessons: list[float] = []
        self._mean: float | None = None
        self._sigma = self._given_sigma
        self._correlation = 0.0
        self._taught_by = 0  # subgroups that the mean was learned from; 0: it was given
        self._charts: dict[str, Chart] = {}
        self._recent: deque[tuple[float, float]] = deque(maxlen=RECENT)
        self._since: tuple[float, float] = (0.0, 0.0)
        self._active: Side | None = None

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading."""
        if m.tag != self._tag.name or not usable(m):
            return []
        found: list[Finding] = []
        product = view.product_at(m.metre).name
        if product != self._product:
            found = self._end(m, f"another product: not judged until it has learned over {self._s.learn:g} m")
            self._reset()
            self._product = product
        key = int(m.metre // self._s.subgroup)
        if self._bin is None or abs(key - self._bin) > 1e6:
            self._bin = key
        if key > self._bin:
            if self._n >= 3:
                found += self._subgroup(self._sum / self._n, m, view)
            self._bin, self._sum, self._n = key, 0.0, 0
        if key == self._bin and abs(m.value) < 1e100:
            self._sum += m.value
            self._n += 1
        return found

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """Bad readings hold; while `when` does not hold the charts begin anew, and what was learned stays."""
        if m.tag != self._tag.name or m.quality is BAD or not usable(m):
            return []
        self._bin, self._sum, self._n = None, 0.0, 0
        self._recent.clear()
        self._make_charts()
        return self._end(m, "no longer judged: `when` does not hold")

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: the charts begin anew after it, unless they tell of a drift; what was learned stays."""
        if m.tag == self._tag.name and usable(m):
            self._bin, self._sum, self._n = None, 0.0, 0
            self._recent.clear()
            if self._active is None:
                self._make_charts()
        return []

    # ---- learning

    def _product_value(self, text: str | None, view: View, metre: float) -> Toleranced | None:
        return None if text is None else view.product_at(metre).values.get(text.removeprefix(PRODUCT))

    def _subgroup(self, mean: float, m: Measured, view: View) -> list[Finding]:
        assert self._bin is not None
        at = (self._bin + 0.5) * self._s.subgroup
        self._recent.append((at, mean))
        if self._mean is None or self._sigma is None:
            self._learn(mean, m, view)
            return []
        z = (mean - self._mean) / (self._sigma * self._widening)
        if not isfinite(z):
            return []
        sides = [chart.update(z) for chart in self._charts.values()]
        return self._decide(sides, mean, m, view)

    def _learn(self, mean: float, m: Measured, view: View) -> None:
        self._lessons.append(mean)
        needed = max(LEAST, round(self._s.learn / self._s.subgroup))
        given = self._given_mean.of(view.product_at(m.metre))
        if len(self._lessons) < needed and not (isfinite(given) and self._given_sigma is not None):
            return
        lessons = self._lessons
        n = len(lessons)
        average = sum(lessons) / n
        if isfinite(given):
            self._mean = given
        else:
            self._mean = average
            self._taught_by = n
        squares = sum((x - average) ** 2 for x in lessons)
        if self._sigma is None:
            self._sigma = max(sqrt(squares / (n - 1)), 1e-12 * max(1.0, abs(average)))
        if squares > 0 and n >= LEAST:
            neighbours = sum((a - average) * (b - average) for a, b in pairwise(lessons))
            self._correlation = min(MOST_CORRELATED, max(0.0, neighbours / squares))
        self._lessons = []
        self._make_charts()

    @property
    def _widening(self) -> float:
        return sqrt((1 + self._correlation) / (1 - self._correlation))

    def _make_charts(self) -> None:
        if self._mean is None or self._sigma is None:
            return
        s = self._s
        # a learned mean is off by up to two of its standard errors; a chart would take that for a drift and never be quiet
        allowance = 2.0 / sqrt(self._taught_by) if self._taught_by else 0.0
        made: dict[str, Chart] = {
            "ewma": Ewma(s.weight, s.ewma_limit, allowance),
            "cusum": Cusum(s.cusum_k, s.cusum_h, allowance),
            "runs": RunRules((1, 4), self._widening**2, allowance),
        }
        self._charts = {method: made[method] for method in s.method}

    # ---- telling

    def _decide(self, sides: list[Side | None], mean: float, m: Measured, view: View) -> list[Finding]:
        assert self._mean is not None
        side = next((s for s in sides if s is not None), None)
        if side is not None and abs(mean - self._mean) < self._least.known(view.product_at(m.metre)):
            side = None
        if self._active is not None:
            over = all(chart.calm(self._active) for chart in self._charts.values())
            if not over and side in (None, self._active):
                return []
            found = self._end(m, "back near the mean" if over else "it drifts the other way")
            return found + (self._begin(side, mean, m, view) if side is not None else [])
        return self._begin(side, mean, m, view) if side is not None else []

    def _begin(self, side: Side, mean: float, m: Measured, view: View) -> list[Finding]:
        if side not in self._s.limits():
            return []
        assert self._mean is not None
        assert self._sigma is not None
        self._active = side
        first = next((x for x, y in self._recent if (y > self._mean) is (side == "up")), m.metre)
        self._since = (m.time, first)
        text = (
            f"mean over {self._s.subgroup:g} m {number(mean, self._mean, self._tag.unit)} drifts {side} from "
            f"{number(self._mean, self._mean, self._tag.unit)} (sigma {self._sigma:.2g}"
            + (f", neighbours correlate by {self._correlation:.2f}" if self._correlation > 0.05 else "")
            + ")"
        )
        foretold, data = self._foretold(m, view)
        return [self._condition(m, active=True, value=mean, text=text + foretold, data=data)]

    def _foretold(self, m: Measured, view: View) -> tuple[str, dict[str, Any]]:
        """In words, and as data (`reaches`: metre of the bound, metres and seconds from here; empty: not foretold)."""
        band = self._product_value(self._s.limits_, view, m.metre)
        if band is None or band.tolerance is None:
            return "", {}
        scale, offset = affine(band.unit, self._tag.unit)
        target, tolerance = band.target * scale + offset, band.tolerance * factor(band.unit, self._tag.unit)
        said = self.reaches(target - tolerance, target + tolerance)
        if said is None:
            return "", {}
        bound = target + tolerance if said.slope > 0 else target - tolerance
        passed = m.metre - self._recent[-1][0]  # the forecast counts from the middle of the last subgroup, a reader from here
        ahead, soonest, latest = (max(0.0, x - passed) for x in (said.metres, said.soonest, said.latest))
        minutes = f"{ahead / view.speed / 60:.1f} min, " if view.speed > 0 else ""
        data = {
            "bound": bound,
            "metre": m.metre + ahead,
            "ahead": ahead,
            "soonest": soonest,
            "latest": latest,
            "seconds": ahead / view.speed if view.speed > 0 else None,
            "slope": said.slope,
        }
        text = (
            f"; it reaches {number(bound, bound, self._tag.unit)} in about {ahead:.0f} m "
            f"({minutes}95 % {soonest:.0f} to {latest:.0f} m) at metre {m.metre + ahead:.0f}"
            if ahead > 0
            else f"; it is at the limit {number(bound, bound, self._tag.unit)}"
        )
        return text, {"reaches": data}

    def reaches(self, low: float, high: float) -> Forecast | None:
        """Where the band would be broken if the drift goes on."""
        return forecast([x for x, _ in self._recent], [y for _, y in self._recent], low, high, self._correlation)

    def _end(self, m: Measured, why: str) -> list[Finding]:
        if self._active is None:
            return []
        ended = self._condition(m, active=False, value=None, text=why)
        self._active = None
        return [ended]

    def _condition(
        self, m: Measured, *, active: bool, value: float | None, text: str, data: dict[str, Any] | None = None
    ) -> Condition:
        assert self._active is not None
        return Condition(
            limit=self._active,
            active=active,
            onset_time=self._since[0],
            metre=self._since[1],
            metre_uncertainty=m.uncertainty,
            start=min(self._since[1], m.metre),
            end=m.metre,
            value=value,
            bound=self._mean,
            unit=self._tag.unit,
            quality=m.quality.word,
            explanation=text,
            data=data or {},
        )

    # ---- restart

    def snapshot(self) -> dict[str, Any]:
        """What was learned, the charts, the subgroup under way."""
        return {
            "product": self._product,
            "bin": [self._bin, self._sum, self._n],
            "lessons": list(self._lessons),
            "learned": [self._mean, self._sigma, self._correlation, self._taught_by],
            "charts": {name: chart.state() for name, chart in self._charts.items()},
            "recent": [list(pair) for pair in self._recent],
            "active": self._active,
            "since": list(self._since),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        if "learned" not in state:
            return
        self._product = state["product"]
        self._bin, self._sum, self._n = state["bin"]
        self._lessons = list(state["lessons"])
        self._mean, self._sigma, self._correlation, self._taught_by = state["learned"]
        self._make_charts()
        for name, kept in state["charts"].items():
            if name in self._charts:
                self._charts[name].restore(kept)
        self._recent.extend((x, y) for x, y in state["recent"])
        self._active = state["active"]
        self._since = (state["since"][0], state["since"][1])
