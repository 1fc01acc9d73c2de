"""`band`: a value, or its mean over a piece of cable, against low and high limits.

Limits stand round a target (a product value, a fixed quantity, or the PLC's own setpoint) or on their own (`at`). With a target the
rule judges the deviation of every reading from the target of its own metre, so a product change is no excursion.
"""

import itertools
import math
from collections.abc import Mapping
from typing import Any, Literal

from ..line.plan import PRODUCT, Product, Toleranced
from ..readings import BAD, Hold, Measured, Quality, Tag
from ..readings.units import AnyQuantity, LengthOrDuration, Quantity, UnitError, affine, factor
from .contract import Condition, Finding, LimitAt, LimitText, Rule, RuleSettings, Site, View
from .delays import Change, Delay
from .gate import Gate, Pass, gate
from .level import Level, level_of, of_products, product_keys
from .looking_up import UNKNOWN, check_extent, find_tag, in_unit, positive_extent, usable
from .setpoint import ProductKey, Setpoint
from .standing import Standing
from .windows import Window
from .wording import number, since

_NO_BAND = "leaves no band; write the distance from the target to each limit"
_LIMITS = ("low_low", "low", "high", "high_high")


class BandSettings(RuleSettings):
    """Keys of `band`."""

    kind: Literal["band"]
    reads: str
    over: LengthOrDuration | None = None
    target: str | None = None
    tolerance: Setpoint | None = None
    deadband: AnyQuantity | None = None
    on_delay: LengthOrDuration | None = None
    off_delay: LengthOrDuration | None = None
    low_low: LimitAt | None = None
    low: LimitAt | None = None
    high: LimitAt | None = None
    high_high: LimitAt | None = None

    def tags(self) -> tuple[str, ...]:
        """The tag that is judged. A setpoint tag is looked up when needed."""
        return (self.reads,)

    def limits(self) -> dict[str, LimitText]:
        """Those of the four that are written."""
        return {name: limit for name in _LIMITS if (limit := getattr(self, name)) is not None}

    def build(self, name: str, site: Site) -> "Band":
        """Refuses what contradicts itself, what has the wrong dimension, and what the products do not hold."""
        tag = find_tag(site, self.reads)
        for key in ("on_delay", "off_delay"):
            check_extent(site, key, getattr(self, key))
        if self.over is not None:
            positive_extent(site, "over", self.over)
        if not self.limits():
            site.fail("", "a band needs at least one limit", _LIMITS)
        reference = _reference(self, tag, site)
        absolute: dict[str, Level] = {}
        for limit, text in self.limits().items():
            at = text.at if isinstance(text, LimitAt) else None
            if at is not None:
                absolute[limit] = level_of(site, f"{limit}.at", at, tag.unit)
            elif limit in ("low_low", "high_high"):
                site.fail(limit, 'needs its own setpoint, such as at = "110 degC"')
            elif self.target is None:
                site.fail(limit, 'needs a setpoint: write at = "…" in it, or give the rule a target')
        deadband = 0.0
        if self.deadband is not None:
            deadband = in_unit(site, "deadband", self.deadband, tag.unit, difference=True)
            if deadband < 0:
                site.fail("deadband", f"{self.deadband} is negative; it is the distance inside the limit, 0 or more")
        by_product = reference.by_product or any(level.products is not None for level in absolute.values())
        for product in site.products.values() if by_product else (Product(""),):
            _check_order(self, site, absolute, reference.of(product), deadband, product.name if by_product else "")
        return Band(name, self, tag, reference, absolute, deadband, gate(self, site), has_axis=site.has_axis)


class Reference:
    """Where the band stands: ``(target, tolerance)`` in the tag's unit, by metre. Without a target it is ``(0, NaN)``.

    The target is a `Level`, or the present value of the tag `setpoint`, which `conversion` turns into the unit.
    """

    def __init__(
        self, target: Level, tolerance: Level, setpoint: str = "", conversion: tuple[float, float] = (1.0, 0.0)
    ) -> None:
        self._target = target
        self._tolerance = tolerance
        self._setpoint = setpoint
        self._conversion = conversion
        self.by_product = target.products is not None or tolerance.products is not None

    def of(self, product: Product) -> tuple[float, float]:
        """What is known at load of a product; NaN where it is not."""
        return self._target.of(product), self._tolerance.of(product)

    def at(self, metre: float, view: View) -> tuple[float, float] | None:
        """As of a metre; None when the product lacks the value or the setpoint cannot be trusted."""
        if not self._setpoint:
            target, tolerance = self.of(view.product_at(metre) if self.by_product else _ANY)
            return None if math.isnan(target) else (target, tolerance)
        m = view.last(self._setpoint)
        if m is None or m.quality is BAD or not math.isfinite(m.value):
            return None
        scale, offset = self._conversion
        return m.value * scale + offset, self._tolerance.of(view.product_at(metre) if self.by_product else _ANY)


_ANY = Product("")
_NONE = Reference(Level(0.0), Level())
_REFUSED = Reference(Level(), Level())


def _reference(settings: BandSettings, tag: Tag, site: Site) -> Reference:
    target, tolerance = settings.target, settings.tolerance
    own = Level()
    if tolerance is not None:
        own = level_of(site, "tolerance", tolerance, tag.unit, difference=True, least=_NO_BAND)
    if target is None:
        if tolerance is not None:
            site.fail("tolerance", "stands round a target; give one, or write low and high with at")
        return _NONE
    relative = any(text is not None and text.at is None for text in (settings.low, settings.high))
    if tag.unit == UNKNOWN:
        return _REFUSED
    if target.startswith(PRODUCT):
        return _of_products(
            ProductKey(target.removeprefix(PRODUCT)), own if tolerance is not None else None, relative, tag, site
        )
    if relative and tolerance is None:
        site.fail("tolerance", f"target {target!r} says nothing of its tolerance; write one")
    if target in site.tags:
        try:
            return Reference(Level(), own, target, affine(site.tags[target].unit, tag.unit))
        except UnitError as error:
            site.fail("target", f"tag {target}: {error}")
            return _REFUSED
    try:
        quantity = Quantity.parse(target)
    except UnitError:
        site.fail("target", f"{target!r} is no quantity, tag or product value", [*product_keys(site), *sorted(site.tags)])
        return _REFUSED
    return Reference(Level(in_unit(site, "target", quantity, tag.unit)), own)


def _of_products(named: ProductKey, own: Level | None, relative: bool, tag: Tag, site: Site) -> Reference:
    tolerances: dict[str, float] = {}

    def accept(product: Product, value: Toleranced) -> float | None:
        try:
            scale, offset = affine(value.unit, tag.unit)
        except UnitError as error:
            site.fail("target", f"{named} of product {product.name}: {error}")
            return None
        if value.tolerance is not None:
            tolerances[product.name] = value.tolerance * factor(value.unit, tag.unit)
        elif relative and own is None:
            site.fail("tolerance", f"{named} has no tolerance in product {product.name}; write one there or here")
        return value.target * scale + offset

    target = of_products(site, "target", named, accept)
    return Reference(target, own if own is not None else Level(products=tolerances))


def _check_order(
    settings: BandSettings,
    site: Site,
    absolute: Mapping[str, Level],
    reference: tuple[float, float],
    deadband: float,
    product: str,
) -> None:
    """Limits must rise from low_low to high_high, each on its own side of the target, and the deadbands must not overlap."""
    where = f" for product {product}" if product else ""
    target, tolerance = reference
    bounds: dict[str, float] = {}
    for limit in settings.limits():
        side = -1.0 if limit.startswith("low") else 1.0
        level = absolute.get(limit)
        bounds[limit] = level.of(Product(product)) if level is not None else target + side * tolerance
        if settings.target is not None and level is not None and side * (bounds[limit] - target) <= 0:
            wrong = "below" if side > 0 else "above"
            site.fail(
                f"{limit}.at",
                f"{limit} {bounds[limit]:g} is not {_SIDE[side]} the target {target:g}{where}, but {wrong} or on it",
            )
    written = list(bounds.items())
    for (lower, low), (upper, high) in itertools.pairwise(written):
        if low >= high:
            site.fail(upper, f"contradicts {lower}{where}: {upper} {high:g} is not above {lower} {low:g}")
    highest_low = max((bound for limit, bound in written if limit.startswith("low")), default=math.nan)
    lowest_high = min((bound for limit, bound in written if limit.startswith("high")), default=math.nan)
    room = (lowest_high - highest_low) / 2.0
    if room > 0 and deadband > room * (1 + 1e-9):
        site.fail("deadband", f"{settings.deadband} is wider than half the band{where} ({room:g}): an alarm could not return")


_SIDE = {1.0: "above", -1.0: "below"}


class _Limit:
    """One limit while it runs."""

    __slots__ = ("at", "delay", "name", "side", "worst", "worst_metre")

    def __init__(self, name: str, at: Level | None, delay: Delay) -> None:
        self.name = name
        self.side = -1.0 if name.startswith("low") else 1.0
        self.at = at
        self.delay = delay
        self.worst = -math.inf  # how far beyond, at the worst
        self.worst_metre = 0.0


class Band(Rule):
    """A running band."""

    def __init__(
        self,
        name: str,
        settings: BandSettings,
        tag: Tag,
        reference: Reference,
        absolute: Mapping[str, Level],
        deadband: float,
        gated: Gate,
        *,
        has_axis: bool,
    ) -> None:
        super().__init__(name, settings)
        self._reads = settings.reads
        self._tag = tag
        self._reference = reference
        self._deadband = deadband
        self._axis = has_axis
        self._over = settings.over
        self._by_product = any(level.products is not None for level in absolute.values())
        self._product = ""
        self._window = Window(settings.over) if settings.over is not None else None
        self.gate = gated
        self._standing = Standing(tag, gated)
        self._limits = [
            _Limit(limit, absolute.get(limit), Delay(settings.on_delay, settings.off_delay)) for limit in settings.limits()
        ]

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading; with `over`, it joins the mean first."""
        if m.tag != self._reads:
            return []
        if not usable(m):
            self._hold()
            return []
        self._standing.note(m)
        return self._judge(m, view)

    def _judge(self, m: Measured, view: View) -> list[Finding]:
        reference = self._reference.at(m.metre, view)
        if reference is None:
            self._hold(standing=False)
            return []
        target, tolerance = reference
        product = view.product_at(m.metre) if self._by_product else _ANY
        if product.name != self._product:
            self._product = product.name
            if self._window is not None:
                self._window.clear()  # a mean over two products is none against the setpoint of one
        deviation, quality = m.value - target, m.quality
        if self._window is not None:
            piece = m.end - m.start if self._tag.hold is not Hold.INSTANT else None
            if self._window.is_length:
                self._window.add(m.metre, deviation, quality, piece)
            else:
                self._window.add(m.time, deviation, quality)
            mean = self._window.mean()
            if mean is None:
                return []
            deviation, quality = mean
        found: list[Finding] = []
        for limit in self._limits:
            bound = limit.at.of(product) - target if limit.at is not None else limit.side * tolerance
            if math.isnan(bound):  # a product without the value: nothing is known, so the state is held
                limit.delay.hold()
                continue
            beyond_by = limit.side * (deviation - bound)
            delay = limit.delay
            change = delay.step(beyond_by > 0.0, not beyond_by > -self._deadband, m.time, m.metre)
            if (delay.pending or delay.active) and beyond_by > limit.worst:
                limit.worst, limit.worst_metre = beyond_by, m.metre
            if change is not None:
                found.append(self._tell(limit, change, m, deviation + target, bound + target, quality))
            if not (delay.pending or delay.active):
                limit.worst = -math.inf
        return found

    def _tell(self, limit: _Limit, change: Change, m: Measured, value: float, bound: float, quality: Quality) -> Condition:
        delay, unit = limit.delay, self._tag.unit
        on = change is Change.ON
        what = f"mean over {self._over} {number(value, bound, unit)}" if self._over is not None else number(value, bound, unit)
        where = "above" if limit.side > 0 else "below"
        began = since(delay.since_time, delay.since_metre if self._axis else None)
        if on:
            text = f"{what} {where} {number(bound, bound, unit)} {began}"
        else:
            worst = number(bound + limit.side * limit.worst, bound, unit)
            text = f"{what} back inside {number(bound, bound, unit)}; was {where} it {began}, at worst {worst}"
        length = self._over.metres if self._over is not None else 0.0
        half = (m.end - m.start) / 2.0
        return Condition(
            limit=limit.name,
            active=on,
            onset_time=delay.since_time if on else delay.clear_time,
            metre=(delay.since_metre if on else delay.clear_metre) if self._axis else None,
            metre_uncertainty=m.uncertainty if self._axis else None,
            start=min(delay.since_metre - length, delay.since_metre - half) if self._axis else None,
            end=(m.end if on else max(delay.clear_metre, delay.since_metre)) if self._axis else None,
            peak=limit.worst_metre if self._axis else None,
            value=value,
            bound=bound,
            unit=unit,
            quality=quality.word,
            explanation=text,
        )

    def _hold(self, *, standing: bool = True) -> None:
        if standing:
            self._standing.forget()
        if self._window is not None:
            self._window.gap()
        for limit in self._limits:
            limit.delay.hold()

    def unwatched(self) -> None:
        """A gap, as a bad reading is one."""
        self._hold()

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading holds every state; a good one outside `when` ends what is active."""
        if m.tag != self._reads:
            return []
        if m.quality is BAD or not usable(m):
            self._hold()
            return []
        self._standing.passed(m)
        return self._end(m)

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: the mean begins anew after it, the last value is judged then."""
        if m.tag == self._reads and usable(m):
            self._standing.note(m)
            self._suspend()
        return []

    def _suspend(self) -> None:
        if self._window is not None:
            self._window.clear()
        for limit in self._limits:
            limit.delay.suspend()
            if not limit.delay.active:
                limit.worst = -math.inf

    def _end(self, m: Measured) -> list[Finding]:
        if self._window is not None:
            self._window.clear()
        return [
            Condition(
                limit=limit.name,
                active=False,
                onset_time=m.time,
                metre=m.metre if self._axis else None,
                metre_uncertainty=m.uncertainty if self._axis else None,
                unit=self._tag.unit,
                quality=m.quality.word,
                explanation="no longer judged: `when` does not hold",
            )
            for limit in self._limits
            if limit.delay.drop()
        ]

    def tick(self, view: View) -> list[Finding]:
        """A value that stands is judged again as of now, so that delays and windows go on."""
        repeated = self._standing.repeat(view)
        if repeated is None:
            return []
        m, may = repeated
        if may is Pass.HOLD:
            self._suspend()
            return []
        return self._judge(m, view) if may is Pass.JUDGE else self._end(m)

    def snapshot(self) -> dict[str, Any]:
        """Delays, window and standing value."""
        return {
            "limits": {
                limit.name: {
                    **limit.delay.snapshot(),
                    "worst": limit.worst if math.isfinite(limit.worst) else None,
                    "worst_metre": limit.worst_metre,
                }
                for limit in self._limits
            },
            "window": self._window.snapshot() if self._window is not None else None,
            "standing": self._standing.snapshot(),
            "product": self._product,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        limits = state.get("limits", {})
        for limit in self._limits:
            kept = limits.get(limit.name, {})
            limit.delay.restore(kept)
            worst = kept.get("worst")
            limit.worst = -math.inf if worst is None else float(worst)
            limit.worst_metre = float(kept.get("worst_metre", 0.0))
        if self._window is not None and state.get("window") is not None:
            self._window.restore(state["window"])
        self._standing.restore(state.get("standing") or {})
        self._product = str(state.get("product", ""))
