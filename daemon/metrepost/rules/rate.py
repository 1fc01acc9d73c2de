"""`rate`: a temperature or pressure that rises or falls too fast.

The slope is the least-squares line through the readings of the last `over`, so that single noisy readings do not count.
"""

import math
from collections import deque
from collections.abc import Mapping
from typing import Any, Literal

from ..line.plan import Product
from ..readings import BAD, Measured, Quality, Tag
from ..readings.units import AnyQuantity, Duration, LengthOrDuration, Quantity, factor
from .contract import Condition, Finding, LimitAt, LimitText, Rule, RuleSettings, Site, View
from .delays import Change, Delay
from .gate import Gate, Pass, gate
from .level import Level, level_of, unit_of
from .looking_up import check_extent, find_tag, in_unit, usable
from .standing import Standing
from .wording import number, since

_LIMITS = ("rising", "falling")
_ANY = Product("")
_CELLS = 128
"""Readings closer together than this part of `over` are averaged into one point."""
_SPAN = 0.8
"""Share of `over` that the points must span before a slope is given."""


class RateSettings(RuleSettings):
    """Keys of `rate`. `at` of both limits is a positive rate, such as ``2 degC/min``."""

    kind: Literal["rate"]
    reads: str
    over: Duration
    deadband: AnyQuantity | None = None
    on_delay: LengthOrDuration | None = None
    off_delay: LengthOrDuration | None = None
    rising: LimitAt | None = None
    falling: LimitAt | None = None

    def tags(self) -> tuple[str, ...]:
        """The one tag."""
        return (self.reads,)

    def limits(self) -> dict[str, LimitText]:
        """Those of the two that are written."""
        return {name: limit for name in _LIMITS if (limit := getattr(self, name)) is not None}

    def build(self, name: str, site: Site) -> "Rate":
        """Refuses rates of the wrong dimension or sign, a window of 0, and a deadband as large as the limit."""
        tag = find_tag(site, self.reads)
        per_second = f"{tag.unit or '1'}/s"
        if self.over <= 0:
            site.fail("over", "must be more than 0 s; write a window such as 2 min")
        check_extent(site, "on_delay", self.on_delay)
        check_extent(site, "off_delay", self.off_delay)
        if not self.limits():
            site.fail("", "a rate needs at least one limit", _LIMITS)
        deadband = in_unit(site, "deadband", self.deadband, per_second, difference=True) if self.deadband is not None else 0.0
        if deadband < 0:
            site.fail("deadband", f"{self.deadband} is negative; it is the distance inside the limit, 0 or more")
        bounds: dict[str, tuple[Level, float, str]] = {}
        for limit, text in self.limits().items():
            at = text.at if isinstance(text, LimitAt) else None
            if at is None:
                site.fail(limit, 'needs its own setpoint, such as at = "2 degC/min"')
                continue
            bound = level_of(
                site,
                f"{limit}.at",
                at,
                per_second,
                difference=True,
                least=f"must be more than 0: it is how fast the value may go {limit}",
            )
            if 0 < bound.least() < deadband:
                site.fail("deadband", f"{self.deadband} is wider than {limit} {at}: the alarm could not return")
            elif not math.isnan(bound.least()):
                unit = at.unit if isinstance(at, Quantity) else unit_of(site, at, per_second)
                bounds[limit] = (bound, factor(per_second, unit), unit)
        return Rate(name, self, tag, bounds, deadband, gate(self, site), has_axis=site.has_axis)


class Slope:
    """Least-squares slope over a time window, per second. Bounded: at most `_CELLS` points and two."""

    __slots__ = ("_cells", "_over")

    def __init__(self, over: float) -> None:
        self._over = over
        self._cells: deque[list[float]] = deque()  # [first time, last time, n, sum of (time - first), sum of values, quality]

    def add(self, time: float, value: float, quality: Quality) -> None:
        """A reading. One older than the newest is left out: its place in the window may be gone."""
        cells = self._cells
        if cells and time < cells[-1][1]:
            return
        if cells and time - cells[-1][0] < self._over / _CELLS:
            cell = cells[-1]
            cell[1] = time
            cell[2] += 1.0
            cell[3] += time - cell[0]
            cell[4] += value
            cell[5] = max(cell[5], quality)
        else:
            cells.append([time, time, 1.0, 0.0, value, int(quality)])
        while cells[0][1] < time - self._over:
            cells.popleft()

    def get(self) -> tuple[float, Quality] | None:
        """``(slope per second, worst quality)``, or None while the points span too little."""
        cells = self._cells
        if len(cells) < 3 or cells[-1][1] - cells[0][0] < _SPAN * self._over:
            return None
        end = cells[-1][1]
        times = [first - end + offset / n for first, _, n, offset, _, _ in cells]
        values = [total / n for _, _, n, _, total, _ in cells]
        weights = [cell[2] for cell in cells]
        whole = math.fsum(weights)
        mean_time = math.fsum(w * t for w, t in zip(weights, times, strict=True)) / whole
        mean_value = math.fsum(w * v for w, v in zip(weights, values, strict=True)) / whole
        below = math.fsum(w * (t - mean_time) ** 2 for w, t in zip(weights, times, strict=True))
        above = math.fsum(w * (t - mean_time) * (v - mean_value) for w, t, v in zip(weights, times, values, strict=True))
        if not below > 0.0:
            return None
        return above / below, Quality(int(max(cell[5] for cell in cells)))

    def clear(self) -> None:
        """Begin anew."""
        self._cells.clear()

    def snapshot(self) -> list[list[float]]:
        """State as plain data."""
        return [list(cell) for cell in self._cells]

    def restore(self, cells: list[list[float]]) -> None:
        """Take back what `snapshot` gave."""
        self._cells = deque([float(part) for part in cell] for cell in cells)


class Rate(Rule):
    """A running rate."""

    def __init__(
        self,
        name: str,
        settings: RateSettings,
        tag: Tag,
        bounds: Mapping[str, tuple[Level, float, str]],
        deadband: float,
        gated: Gate,
        *,
        has_axis: bool,
    ) -> None:
        super().__init__(name, settings)
        self._reads = settings.reads
        self._tag = tag
        self._bounds = dict(bounds)
        self._deadband = deadband
        self._axis = has_axis
        self._over = settings.over
        self._slope = Slope(settings.over if settings.over > 0 else 1.0)
        self._delays = {limit: Delay(settings.on_delay, settings.off_delay) for limit in bounds}
        self.gate = gated
        self._standing = Standing(tag, gated)

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading."""
        if m.tag != self._reads:
            return []
        if not usable(m):
            self._hold()
            return []
        self._standing.note(m)
        return self._judge(m, view)

    def _judge(self, m: Measured, view: View) -> list[Finding]:
        self._slope.add(m.time, m.value, m.quality)
        got = self._slope.get()
        if got is None:  # too few readings for a slope: nothing is known, and that is not clear
            for delay in self._delays.values():
                delay.hold()
            return []
        slope, quality = got
        found: list[Finding] = []
        for limit, (level, _, _) in self._bounds.items():
            speed = slope if limit == "rising" else -slope
            bound = level.of(_ANY if level.products is None else view.product_at(m.metre))
            if math.isnan(bound):  # a product without the value: the state is held
                self._delays[limit].hold()
                continue
            change = self._delays[limit].step(speed > bound, not speed > bound - self._deadband, m.time, m.metre)
            if change is not None:
                found.append(self._tell(limit, change, m, speed, bound, quality))
        return found

    def _tell(self, limit: str, change: Change, m: Measured, speed: float, bound: float, quality: Quality) -> Condition:
        _, scale, unit = self._bounds[limit]
        delay, on = self._delays[limit], change is Change.ON
        time, metre = (delay.since_time, delay.since_metre) if on else (delay.clear_time, delay.clear_metre)
        told, like = speed * scale, bound * scale
        began = since(delay.since_time, delay.since_metre if self._axis else None)
        text = (
            f"{limit} at {number(told, like, unit)} over {self._over:g} s, faster than {number(like, like, unit)} {began}"
            if on
            else f"{limit} at {number(told, like, unit)} over {self._over:g} s, no longer faster than {number(like, like, unit)}"
        )
        return Condition(
            limit=limit,
            active=on,
            onset_time=time,
            metre=metre if self._axis else None,
            metre_uncertainty=m.uncertainty if self._axis else None,
            start=delay.since_metre if self._axis else None,
            end=max(delay.since_metre, m.metre if on else metre) if self._axis else None,
            value=told,
            bound=like,
            unit=unit,
            quality=quality.word,
            explanation=text,
        )

    def _hold(self) -> None:
        self._standing.forget()
        for delay in self._delays.values():
            delay.hold()

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
        """`hold_off`: the slope is taken of what comes after it."""
        if m.tag == self._reads and usable(m):
            self._standing.note(m)
            self._suspend()
        return []

    def _suspend(self) -> None:
        self._slope.clear()
        for delay in self._delays.values():
            delay.suspend()

    def _end(self, m: Measured) -> list[Finding]:
        self._slope.clear()
        return [
            Condition(
                limit=limit,
                active=False,
                onset_time=m.time,
                metre=m.metre if self._axis else None,
                unit=self._bounds[limit][2],
                explanation="no longer judged: `when` does not hold",
            )
            for limit, delay in self._delays.items()
            if delay.drop()
        ]

    def tick(self, view: View) -> list[Finding]:
        """A value that stands has slope 0: judged again as of now."""
        repeated = self._standing.repeat(view)
        if repeated is None:
            return []
        m, may = repeated
        if may is Pass.HOLD:
            self._suspend()
            return []
        return self._judge(m, view) if may is Pass.JUDGE else self._end(m)

    def snapshot(self) -> dict[str, Any]:
        """Points, delays and standing value."""
        return {
            "cells": self._slope.snapshot(),
            "delays": {limit: delay.snapshot() for limit, delay in self._delays.items()},
            "standing": self._standing.snapshot(),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._slope.restore(state.get("cells") or [])
        for limit, kept in (state.get("delays") or {}).items():
            if limit in self._delays:
                self._delays[limit].restore(kept)
        self._standing.restore(state.get("standing") or {})
