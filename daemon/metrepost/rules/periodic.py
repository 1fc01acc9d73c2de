"""`periodic`: something prints a period into the cable: a screw turn, a wheel, a roller. And what that does to return loss.

Reflections of a period P add up at f = v/2P; a few micrometres that repeat over a reel are a spike in return loss.
"""

from collections.abc import Mapping
from math import isfinite
from typing import Annotated, Any, Literal

import msgspec
from pydantic import BeforeValidator, Field

from ..line.plan import PRODUCT
from ..readings import BAD, Hold, Measured, Tag
from ..readings.units import Length, UnitError, same_dimension
from .cells import Cells
from .contract import Condition, Finding, LimitText, Rule, Site, View
from .foretold import Foretold
from .level import ABOVE_ZERO, Level, level_of
from .looking_up import find_tag, usable
from .one_limit import OneLimit
from .parts import PIECES, Fit, PartSettings, Prints, Turning, turns_per_second
from .setpoint import Setpoint
from .spectrum import Line, lines, longest_window
from .wording import listed, number

CELLS = 40_000
"""Cells kept, at most: a longer window at this fineness is refused."""
WORST_CORRECTION = 3.0
"""What averaging took away is given back up to this factor: beyond it the noise would be multiplied with it."""
RELEASE = 0.8
"""Share of what is allowed below which a line that was told is over, so that one at the limit does not chatter."""
RELEASE_DB = 1.0
"""The same for the foretold level, dB."""
KEPT = 16
"""Lines remembered as told while the alarm is active."""


def _decibels(suffix: str) -> Any:
    def parse(value: object) -> float:
        text = str(value).strip()
        head = text.removesuffix(suffix).strip()
        try:
            found = float(head)
        except ValueError:
            found = float("nan")
        if not text.endswith(suffix) or not isfinite(found) or found < 0:
            raise UnitError(f'{value!r}: write a number with {suffix}, such as "26 {suffix}"')
        return found

    return parse


def _velocity(value: object) -> object:
    named = isinstance(value, str) and value.startswith(PRODUCT)
    if not named and not (isinstance(value, float | int) and not isinstance(value, bool) and 0 < value <= 1):
        raise ValueError(
            f"a velocity factor above 0 and up to 1, such as 0.81, or {PRODUCT}velocity is expected, not {value!r}"
        )
    return value if named else float(value)  # type: ignore[arg-type]  # a number, as was just seen


class PeriodicSettings(OneLimit):
    """Keys of `kind = "periodic"`."""

    kind: Literal["periodic"]
    reads: str
    over: Length = 200.0
    step: Length = 50.0
    shortest: Length = 0.05
    longest: Length = 20.0
    amplitude: Setpoint
    return_loss: Annotated[float, BeforeValidator(_decibels("dB"))] | None = None
    attenuation: Annotated[float, BeforeValidator(_decibels("dB/m"))] = 0.0
    velocity: Annotated[float | str, BeforeValidator(_velocity)] = 0.8
    conductor: Annotated[str, Field(pattern=r"^product\.\w+$")] = "product.conductor"
    false_alarm: float = Field(default=0.01, gt=0.0, lt=0.5)
    parts: dict[str, PartSettings] = Field(default_factory=dict)

    def tags(self) -> tuple[str, ...]:
        """The series, and the screws' turns."""
        return (self.reads, *(part.turns for part in self.parts.values() if part.turns is not None))

    def limits(self) -> dict[str, LimitText]:
        """``line``."""
        return {"line": self.text()}

    def build(self, name: str, site: Site) -> "PeriodicRule":
        """Refuses registers of extremes, windows too short or too long, parts that say nothing, products that lack what is asked."""
        tag = find_tag(site, self.reads)
        if tag.hold in (Hold.MAX, Hold.MIN):
            site.fail(
                "reads",
                f'{tag.name} holds "{tag.hold.value}": extremes bend a wave out of shape; read an instant or mean register',
            )
        self._check_window(site)
        limit = level_of(site, "amplitude", self.amplitude, tag.unit, difference=True, least=ABOVE_ZERO)
        allowed = dict.fromkeys(self.parts, limit)
        for part, table in self.parts.items():
            if (table.circumference is None) is (table.turns is None) or table.circumference == 0:
                site.fail(f"parts.{part}", "give circumference (more than 0) or turns, one of them")
            if (
                table.turns is not None
                and table.turns in site.tags
                and not same_dimension(site.tags[table.turns].unit, "1/min")
            ):
                site.fail(f"parts.{part}.turns", f"{table.turns} is no speed of rotation")
            if table.amplitude is not None:
                key = f"parts.{part}.amplitude"
                allowed[part] = level_of(site, key, table.amplitude, tag.unit, difference=True, least=ABOVE_ZERO)
        foretold = Foretold(self.velocity, self.conductor, self.attenuation, self.over, tag.unit)
        if self.return_loss is not None:
            foretold.check(site)
        turning = {
            part: Turning(table.turns, turns_per_second(site.tags[table.turns].unit), site.tags[table.turns].station)
            for part, table in self.parts.items()
            if table.turns is not None and table.turns in site.tags and same_dimension(site.tags[table.turns].unit, "1/min")
        }
        station = site.stations.get(tag.station)
        aperture = station.aperture if station is not None else 0.0
        return PeriodicRule(name, self, tag, limit, allowed, Prints(self.parts, turning, self.over), foretold, aperture)

    def _check_window(self, site: Site) -> None:
        if not site.has_axis:
            site.fail("over", "a period is a length of cable, and this line has no [length]")
        if self.over < 5 * self.longest:
            site.fail("over", f"{self.over:g} m are too short for periods up to {self.longest:g} m: at least five must fit")
        if not 0 < self.shortest < self.longest:
            site.fail("shortest", "0 < shortest < longest must hold")
        elif self.over / (self.shortest / 4) > CELLS:
            site.fail("over", f"{self.over:g} m in cells of {self.shortest * 250:g} mm are more than {CELLS}: raise shortest")
        elif self.over > longest_window(self.shortest):
            site.fail(
                "over", f"{self.over:g} m are more than {longest_window(self.shortest):.0f} m, the most that is looked at"
            )
        if not 0 < self.step <= self.over:
            site.fail("step", "0 < step <= over must hold")


class _Found(msgspec.Struct, frozen=True):
    """A line as it is judged. `period` is the one taken, `others` those it cannot be told from; `at_least` that averages took too much
    of it to say how strong it is. `frequencies` (Hz) and the worst foretold `loss` (dB) are of every period it may be."""

    period: float
    others: tuple[float, ...]
    amplitude: float
    error: float
    at_least: bool
    fit: Fit | None
    allowed: float
    loss: float | None
    frequencies: tuple[float, ...]
    over: bool
    poor: bool


class PeriodicRule(Rule):
    """The running rule: cells of cable in a window, looked at once a step."""

    def __init__(
        self,
        name: str,
        settings: PeriodicSettings,
        tag: Tag,
        limit: Level,
        allowed: Mapping[str, Level],
        prints: Prints,
        foretold: Foretold,
        aperture: float,
    ) -> None:
        super().__init__(name, settings)
        self._s = settings
        self._tag = tag
        self._limits = limit
        self._limit = limit.least()
        self._allowed = dict(allowed)
        self._prints = prints
        self._foretold = foretold
        self._aperture = aperture
        self._cells = Cells(settings.shortest / 4, settings.over, CELLS)
        self._next: float | None = None
        self._noted = -1e12
        self._since = 0.0
        self._told: list[float] = []

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A reading of the series."""
        if m.tag != self._tag.name or not usable(m) or abs(m.value) > 1e12:
            return []
        metre, piece = m.metre, 0.0
        if self._tag.hold is Hold.MEAN:
            if not m.covered:
                return []  # a mean over more than its piece
            metre, piece = (m.start + m.end) / 2, max(0.0, m.end - m.start - self._aperture)
        if not self._cells.follows(metre, self._s.longest):
            self._clear()  # reverse motion, a jump of the axis, or a hole as long as the longest period
        if self._next is None:
            self._next = metre + self._s.over
        if self._cells.add(metre, m.value, piece) and not 0 <= metre - self._noted < self._s.over / PIECES:
            self._prints.note(view, self._start(metre))
            self._noted = metre
        if metre < self._next:
            return []
        self._next = metre + self._s.step
        return self._look(m, view)

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """Bad readings are holes; while `when` does not hold the window begins anew and a line is no longer told."""
        if m.tag != self._tag.name or m.quality is BAD or not usable(m):
            return []
        self._clear()
        return self._end(m, "no longer judged: `when` does not hold")

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: the window begins anew after it, and a line that is told stays told until then."""
        if m.tag == self._tag.name and usable(m):
            self._clear()
        return []

    def _clear(self) -> None:
        self._cells.clear()
        self._next = None

    def _start(self, metre: float) -> float:
        start = self._cells.start
        return metre if start is None else min(start, metre)

    # ---- looking

    def _look(self, m: Measured, view: View) -> list[Finding]:
        s = self._s
        metres, values = self._cells.series()
        found = lines(metres, values, shortest=s.shortest, longest=s.longest, false_alarm=s.false_alarm)
        mean = float(values.mean()) if len(values) else 0.0
        judged = [self._judged(line, mean, m, view) for line in found]
        told = sorted((f for f in judged if f.over or f.poor), key=lambda f: -f.amplitude / f.allowed)
        if not told:
            return self._end(m, "no line stands out above what is allowed")
        new = [f for f in told if not self._was_told(f.period)]
        active = bool(self._told)
        self._told = [*self._told, *(f.period for f in new)][-KEPT:]
        if active:  # another line under the same alarm
            return [self._condition(m, f, [f], pulse=True) for f in new]
        self._since = m.time
        return [self._condition(m, told[0], told)]

    def _was_told(self, period: float) -> bool:
        return any(abs(1 / period - 1 / told) <= 2 / self._s.over for told in self._told)

    def _judged(self, line: Line, mean: float, m: Measured, view: View) -> _Found:
        start = self._start(m.metre)
        maybe = (line.period, *sorted(line.aliases, reverse=True))
        fits = [(p, self._prints.fit(p, start, m.metre)) for p in maybe]
        # of periods that cannot be told apart, the one that a part is known to print is the likelier
        known = [(p, f) for p, f in fits if f is not None and f.swept is None] or [(p, f) for p, f in fits if f is not None]
        period, fit = known[0] if known else (line.period, None)
        left = self._cells.left_of(period, self._aperture)
        at_least = left < 1 / WORST_CORRECTION
        amplitude, error = (line.amplitude, line.error) if at_least else (line.amplitude / left, line.error / left)
        product = view.product_at(m.metre)
        self._limit = allowed = self._limits.known(product)
        if fit is not None:
            declared = self._allowed[fit.part].known(product)
            allowed = declared if fit.swept is None else max(declared, allowed)
        levels = [self._foretold.level(p, amplitude, mean, product) for p in ([period] if fit is not None else maybe)]
        losses = [level for _, level in levels if level is not None]
        loss = min(losses) if losses else None
        again = self._was_told(period)
        over = amplitude > RELEASE * allowed if again else amplitude - 2 * error > allowed
        poor = False
        if self._s.return_loss is not None and loss is not None:
            own = fit is not None and self._s.parts[fit.part].amplitude is not None  # what it may print is declared
            poor = not own and loss < self._s.return_loss + (RELEASE_DB if again else 0.0)
        others = tuple(p for p in maybe if p != period)
        frequencies = tuple(frequency for frequency, _ in levels)
        return _Found(period, others, amplitude, error, at_least, fit, allowed, loss, frequencies, over, poor)

    # ---- telling

    def _end(self, m: Measured, why: str) -> list[Finding]:
        if not self._told:
            return []
        self._told = []
        return [self._condition(m, None, [], why=why)]

    def _words(self, f: _Found) -> str:
        unit = self._tag.unit
        size = f"{'at least ' if f.at_least else ''}{number(f.amplitude, self._limit, unit)} ± {number(f.error, self._limit, unit)}"
        if f.others:
            spacing = self._cells.spacing() * 1000
            periods = " or ".join(f"{p:.3f}" for p in (f.period, *f.others[:3]))
            more = f" (or {len(f.others) - 3} shorter ones)" if len(f.others) > 3 else ""
            text = f"a period of {periods} m{more}, amplitude {size}: readings every {spacing:.0f} mm cannot tell which"
        else:
            text = f"a period of {f.period:.3f} m, amplitude {size}"
        if f.at_least:
            text += ", as the averages of the gauge left too little of it to say how much"
        if f.fit is None:
            text += ", fits no declared part"
        elif f.fit.swept is not None:
            first, last = f.fit.swept
            text += f", not told apart from {f.fit.part}, whose period went from {first:.3f} to {last:.3f} m"
        else:
            order = "" if f.fit.order == 1 else f" ({f.fit.order} a turn)"
            text += f", fits {f.fit.part}{order}{f' at {f.period:.3f} m' if f.others else ''}"
        megahertz = " or ".join(f"{frequency / 1e6:.1f}" for frequency in f.frequencies[:4])
        text += f"; return loss suffers at {megahertz} MHz"
        if f.loss is None:
            return text
        return f"{text}, {f.loss:.1f} dB foretold{' at worst' if len(f.frequencies) > 1 else ' at best' if f.at_least else ''}"

    def _condition(
        self, m: Measured, worst: _Found | None, told: list[_Found], why: str = "", *, pulse: bool = False
    ) -> Condition:
        by_amplitude = worst is None or worst.over
        text = why if worst is None else self._words(worst)
        if len(told) > 1:
            text += f". Also {listed([f'{f.period:.3f} m' for f in told[1:]])}"
        unknown = self._prints.unknown(self._start(m.metre), m.metre) if worst is not None and worst.fit is None else []
        if unknown:
            text += f". Not known were the turns of {listed(unknown)}"
        return Condition(
            limit="line",
            active=worst is not None,
            onset_time=m.time if pulse else self._since,
            metre=m.metre,
            metre_uncertainty=m.uncertainty,
            start=self._start(m.metre),
            end=m.metre,
            value=None if worst is None else worst.amplitude if by_amplitude else worst.loss,
            bound=(self._limit if worst is None else worst.allowed) if by_amplitude else self._s.return_loss,
            unit=self._tag.unit if by_amplitude else "dB",
            quality=m.quality.word,
            explanation=text,
            pulse=pulse,
            data={"lines": [self._data(f) for f in told]} if told else {},
        )

    def _data(self, f: _Found) -> dict[str, Any]:
        return {
            "period": f.period,
            "or": list(f.others),
            "amplitude": f.amplitude,
            "error": f.error,
            "at_least": f.at_least,
            "part": f.fit.part if f.fit is not None and f.fit.swept is None else "",
            "frequencies": list(f.frequencies),
            "return_loss": f.loss,
            "false_alarm": self._s.false_alarm,
        }

    # ---- restart

    def snapshot(self) -> dict[str, Any]:
        """The window, the screws' prints and what is told."""
        return {
            "cells": self._cells.snapshot(),
            "next": self._next,
            "prints": self._prints.snapshot(),
            "noted": self._noted,
            "since": self._since,
            "told": list(self._told),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        if "cells" not in state:
            return
        self._cells.restore(state["cells"])
        self._next = state["next"]
        self._prints.restore(state["prints"])
        self._noted = state["noted"]
        self._since = state["since"]
        self._told = [float(period) for period in state["told"]]
