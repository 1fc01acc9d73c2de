"""`periodic`: something prints a period into the cable: a screw turn, a wheel, a roller. And what that does to return loss.

Reflections of a period P add up at f = v/2P; a few micrometres that repeat over a reel are a spike in return loss.
"""

from collections import deque
from collections.abc import Mapping
from math import isfinite
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from ..physics.coax import GeometryError
from ..physics.structure import StructureError, impedance_amplitude, spike_frequency, structural_return_loss
from ..readings import BAD, Hold, Measured, Tag
from ..readings.units import AnyQuantity, Length, UnitError, affine, same_dimension
from .contract import Condition, Finding, LimitText, Site, View
from .contract import Rule as BaseRule
from .looking_up import find_tag, in_unit, usable
from .one_limit import OneLimit
from .spectrum import Line, lines, on_grid, sinc
from .wording import number

CELLS = 40_000
"""Cells kept, at most: a longer window at this fineness is refused."""
WORST_CORRECTION = 3.0
"""A line whose averaging took away more than two thirds of it is not given back: the noise would be multiplied with it."""
STEADY = 1.05
"""Largest over smallest period of a screw's print within a window for which the part is still looked for."""


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


def turns_per_second(unit: str) -> float:
    """Factor from a speed of rotation to turns per second. The unit library counts a revolution as 2π, a plain 1/min as 1."""
    counted = unit.lower().startswith(("rpm", "rev", "turn"))
    return affine(unit, "revolution/s" if counted else "1/s")[0]


class PartSettings(BaseModel):
    """A part that prints a period: a wheel by `circumference`, or a screw by the tag of its `turns` (1/min)."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    circumference: Length | None = None
    turns: str | None = None
    orders: int = Field(default=3, ge=1, le=10)
    amplitude: AnyQuantity | None = None


class PeriodicSettings(OneLimit):
    """Keys of `kind = "periodic"`."""

    kind: Literal["periodic"]
    reads: str
    over: Length = 200.0
    step: Length = 50.0
    shortest: Length = 0.05
    longest: Length = 20.0
    amplitude: AnyQuantity
    return_loss: Annotated[float, BeforeValidator(_decibels("dB"))] | None = None
    attenuation: Annotated[float, BeforeValidator(_decibels("dB/m"))] = 0.0
    velocity: float = Field(default=0.8, gt=0.0, le=1.0)
    conductor: str = "product.conductor"
    false_alarm: float = Field(default=0.01, gt=0.0, lt=0.5)
    parts: dict[str, PartSettings] = Field(default_factory=dict)

    def tags(self) -> tuple[str, ...]:
        """The series, and the screws' turns."""
        return (self.reads, *(part.turns for part in self.parts.values() if part.turns is not None))

    def limits(self) -> dict[str, LimitText]:
        """``line``."""
        return {"line": self.text()}

    def build(self, name: str, site: Site) -> "PeriodicRule":
        """Refuses registers that hold extremes, windows that are too short or too long, parts that say nothing of themselves."""
        tag = find_tag(site, self.reads)
        if tag.hold in (Hold.MAX, Hold.MIN):
            site.fail(
                "reads",
                f'{tag.name} holds "{tag.hold.value}": extremes bend a wave out of shape; read an instant or mean register',
            )
        if not site.has_axis:
            site.fail("over", "a period is a length of cable, and this line has no [length]")
        if self.over < 5 * self.longest:
            site.fail("over", f"{self.over:g} m are too short for periods up to {self.longest:g} m: at least five must fit")
        if not 0 < self.shortest < self.longest:
            site.fail("shortest", "0 < shortest < longest must hold")
        elif self.over / (self.shortest / 4) > CELLS:
            site.fail("over", f"{self.over:g} m in cells of {self.shortest * 250:g} mm are more than {CELLS}: raise shortest")
        if not 0 < self.step <= self.over:
            site.fail("step", "0 < step <= over must hold")
        limit = in_unit(site, "amplitude", self.amplitude, tag.unit, difference=True)
        allowed = {}
        for part, table in self.parts.items():
            if (table.circumference is None) is (table.turns is None):
                site.fail(f"parts.{part}", "give circumference or turns, one of them")
            if (
                table.turns is not None
                and table.turns in site.tags
                and not same_dimension(site.tags[table.turns].unit, "1/min")
            ):
                site.fail(f"parts.{part}.turns", f"{table.turns} is no speed of rotation")
            own = table.amplitude
            allowed[part] = limit if own is None else in_unit(site, f"parts.{part}.amplitude", own, tag.unit, difference=True)
        station = site.stations.get(tag.station)
        turns = [part.turns for part in self.parts.values() if part.turns is not None]
        turn_units = {name: site.tags[name].unit for name in turns if name in site.tags}
        return PeriodicRule(name, self, tag, limit, allowed, turn_units, station.aperture if station is not None else 0.0)


class PeriodicRule(BaseRule):
    """The running rule: cells of cable in a window, looked at once a step."""

    def __init__(
        self,
        name: str,
        settings: PeriodicSettings,
        tag: Tag,
        limit: float,
        allowed: Mapping[str, float],
        turn_units: Mapping[str, str],
        aperture: float,
    ) -> None:
        super().__init__(name, settings)
        self._s = settings
        self._tag = tag
        self._limit = limit
        self._allowed = dict(allowed)
        self._turns = {tag: turns_per_second(unit) for tag, unit in turn_units.items()}
        self._aperture = aperture
        self._cell = settings.shortest / 4
        self._active = False
        self._since = 0.0
        self._clear()

    def _clear(self) -> None:
        self._metres: deque[float] = deque(maxlen=CELLS)
        self._values: deque[float] = deque(maxlen=CELLS)
        self._key: int | None = None
        self._open = [0.0, 0.0, 0.0]  # sum of metres, sum of values, count
        self._next: float | None = None
        # part: [least, greatest, sum, count] of its period, a row for each step of the window
        self._prints: dict[str, list[list[float]]] = {}
        self._piece = 0.0

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A reading of the series."""
        if m.tag != self._tag.name or not usable(m) or abs(m.value) > 1e12:
            return []
        key = int(m.metre // self._cell)
        if self._key is not None and (key < self._key or (key - self._key) * self._cell > self._s.longest):
            self._clear()  # reverse motion, a jump of the axis, or a hole as long as the longest period
        if self._key is None:
            self._key = key
            self._next = m.metre + self._s.over
        if key > self._key:
            self._close(view)
            self._key = key
        self._open[0] += m.metre
        self._open[1] += m.value
        self._open[2] += 1
        self._piece = m.end - m.start if self._tag.hold is Hold.MEAN else self._aperture
        if self._next is None or m.metre < self._next:
            return []
        self._next = m.metre + self._s.step
        return self._look(m, view)

    def _close(self, view: View) -> None:
        total, value, n = self._open
        self._open = [0.0, 0.0, 0.0]
        if n == 0:
            return
        self._metres.append(total / n)
        self._values.append(value / n)
        edge = total / n - self._s.over
        while self._metres and self._metres[0] < edge:
            self._metres.popleft()
            self._values.popleft()
        for part, table in self._s.parts.items():
            if table.turns is None:
                continue
            last = view.last(table.turns)
            rate = last.value * self._turns.get(table.turns, 0.0) if last is not None and last.quality is not BAD else 0.0
            if rate > 0 and view.speed > 0:
                period = view.speed / rate
                rows = self._prints.setdefault(part, [])
                if not rows:
                    rows.append([period, period, 0.0, 0.0])
                least, most, summed, count = rows[-1]
                rows[-1] = [min(least, period), max(most, period), summed + period, count + 1]

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """Bad readings are holes; while `when` does not hold the window begins anew and a line is no longer told."""
        if m.tag != self._tag.name or m.quality is BAD or not usable(m):
            return []
        self._clear()
        return self._end(m, "no longer judged: `when` does not hold")

    # ---- looking

    def _look(self, m: Measured, view: View) -> list[Finding]:
        s = self._s
        metres, values = on_grid(self._metres, self._values)
        found = lines(metres, values, shortest=s.shortest, longest=s.longest, false_alarm=s.false_alarm)
        worst: tuple[float, str, Line] | None = None
        mean = float(values.mean()) if len(values) else 0.0
        for line in found:
            corrected = self._corrected(line)
            if corrected is None:
                continue
            part = self._part(corrected)
            allowed = self._allowed.get(part, self._limit)
            loss, frequency = self._foretold(corrected, mean, view, m.metre)
            over = corrected.amplitude - 2 * corrected.error > allowed
            poor = s.return_loss is not None and loss is not None and loss < s.return_loss
            if poor and part and s.parts[part].amplitude is not None:
                poor = False  # what this part may print is declared
            if not (over or poor):
                continue
            text = self._words(corrected, part, loss, frequency)
            if worst is None or corrected.amplitude > worst[0]:
                worst = (corrected.amplitude, text, corrected)
        for rows in self._prints.values():
            mean_period = rows[-1][2] / rows[-1][3] if rows[-1][3] else rows[-1][0]
            rows.append([mean_period, mean_period, 0.0, 0.0])
            del rows[: -max(1, round(s.over / s.step))]
        if worst is None:
            return self._end(m, "no line stands out above what is allowed")
        if self._active:
            return []
        self._active, self._since = True, m.time
        return [self._condition(m, active=True, value=worst[0], text=worst[1])]

    def _corrected(self, line: Line) -> Line | None:
        """Give back what aperture, mean register and cell took away; None where that would be too much."""
        left = sinc(self._cell / line.period)
        left *= sinc(self._piece / line.period)
        if left < 1 / WORST_CORRECTION:
            return None
        return Line(line.period, line.amplitude / left, line.error / left, line.aliases)

    def _part(self, line: Line) -> str:
        for part, table in self._s.parts.items():
            period = table.circumference
            if period is None:
                rows = [row for row in self._prints.get(part, []) if row[3]]
                least, most = min((r[0] for r in rows), default=0.0), max((r[1] for r in rows), default=0.0)
                if least <= 0 or most / least > STEADY:
                    continue  # its period changed within the window: not judged for this part
                period = sum(r[2] for r in rows) / sum(r[3] for r in rows)
                slack = max(0.01, most / least - 1)
            else:
                slack = 0.01
            for order in range(1, table.orders + 1):
                wanted = order / period
                if abs(1 / line.period - wanted) <= max(1.0 / self._s.over, slack * wanted):
                    return part
        return ""

    def _foretold(self, line: Line, mean: float, view: View, metre: float) -> tuple[float | None, float]:
        frequency = spike_frequency(line.period, self._s.velocity)
        conductor = view.product_at(metre).values.get(self._s.conductor.removeprefix("product."))
        if conductor is None or not same_dimension(conductor.unit, self._tag.unit):
            return None, frequency
        try:
            inner = conductor.target * affine(conductor.unit, self._tag.unit)[0]
            amplitude = impedance_amplitude(line.amplitude, inner, mean)
            length = 1e5 if self._s.attenuation > 0 else self._s.over
            return structural_return_loss(amplitude, line.period, length, self._s.attenuation), frequency
        except (GeometryError, StructureError):
            return None, frequency

    def _words(self, line: Line, part: str, loss: float | None, frequency: float) -> str:
        unit = self._tag.unit
        size = f"{number(line.amplitude, self._limit, unit)} ± {number(line.error, self._limit, unit)}"
        if line.aliases:
            spacing = self._s.over / max(1, len(self._metres)) * 1000
            periods = " or ".join(f"{p:.3f}" for p in (*line.aliases, line.period))
            return f"a period of {periods} m, amplitude {size}: readings every {spacing:.0f} mm cannot tell which"
        whose = f"fits {part}" if part else "fits no declared part"
        text = f"a period of {line.period:.3f} m, amplitude {size}, {whose}; return loss suffers at {frequency / 1e6:.1f} MHz"
        return text if loss is None else f"{text}, {loss:.1f} dB foretold"

    # ---- telling

    def _end(self, m: Measured, why: str) -> list[Finding]:
        if not self._active:
            return []
        self._active = False
        return [self._condition(m, active=False, value=None, text=why)]

    def _condition(self, m: Measured, *, active: bool, value: float | None, text: str) -> Condition:
        start = self._metres[0] if self._metres else m.metre
        return Condition(
            limit="line",
            active=active,
            onset_time=self._since,
            metre=m.metre,
            metre_uncertainty=m.uncertainty,
            start=min(start, m.metre),
            end=m.metre,
            value=value,
            bound=self._limit,
            unit=self._tag.unit,
            quality=m.quality.word,
            explanation=text,
        )

    # ---- restart

    def snapshot(self) -> dict[str, Any]:
        """The window and what is told."""
        return {
            "metres": list(self._metres),
            "values": list(self._values),
            "open": [self._key, *self._open],
            "next": self._next,
            "prints": {part: [list(row) for row in rows] for part, rows in self._prints.items()},
            "piece": self._piece,
            "active": [self._active, self._since],
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        if "metres" not in state:
            return
        self._metres.extend(state["metres"])
        self._values.extend(state["values"])
        self._key, *self._open = state["open"]
        self._next = state["next"]
        self._prints = {part: [list(row) for row in rows] for part, rows in state["prints"].items()}
        self._piece = state["piece"]
        self._active, self._since = state["active"]
