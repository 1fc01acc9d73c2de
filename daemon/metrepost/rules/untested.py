"""`untested`: cable that passed the spark tester without a valid test: voltage off or low, too fast, or nobody knows.

The voltage required is a setting of the product specification; it is never derived from the wall. This watches a test, it makes
none, and it says nothing about whether the electrode is safe to touch.
"""

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from ..events import StretchEvent
from ..readings import BAD, Measured
from ..readings.moment import rfc3339
from ..readings.units import AnyQuantity, Duration, Length, Quantity, UnitError
from .contract import Condition, Finding, LimitText, Rule, Site, Told, View
from .dwell import nine_cycles, residence
from .level import ABOVE_ZERO, Level, level_of
from .looking_up import find_tag, usable
from .one_limit import OneLimit
from .setpoint import Setpoint
from .wording import number


class UntestedSettings(OneLimit):
    """Keys of `kind = "untested"`."""

    kind: Literal["untested"]
    voltage: str
    voltage_on: str | None = None
    required: Setpoint
    electrode: Length
    rule: Literal["9-cycles", "residence"]
    frequency: AnyQuantity | None = None
    residence: Duration | None = Field(default=None, gt=0.0)

    def tags(self) -> tuple[str, ...]:
        """The voltage, and the tag that says it is on."""
        return (self.voltage,) if self.voltage_on is None else (self.voltage, self.voltage_on)

    def limits(self) -> dict[str, LimitText]:
        """``untested``."""
        return {"untested": self.text()}

    def build(self, name: str, site: Site) -> "UntestedRule":
        """Refuses a rule without its figure, wrong dimensions, a line without axis."""
        tag = find_tag(site, self.voltage)
        if not site.has_axis:
            site.fail("", "an untested stretch is cable by the metre, and this line has no [length]")
        if not self.electrode > 0:
            site.fail("electrode", "must be more than 0")
        fastest, told = self._fastest(site)
        required = level_of(site, "required", self.required, tag.unit, least=ABOVE_ZERO)
        return UntestedRule(name, self, tag.station, tag.unit, required, fastest, told)

    def _fastest(self, site: Site) -> tuple[float, str]:
        if self.rule == "9-cycles":
            if self.residence is not None:
                site.fail("residence", 'belongs to rule = "residence"')
            if self.frequency is None:
                site.fail("frequency", 'rule = "9-cycles" needs the frequency of the tester, such as "3 kHz"')
                return 0.0, ""
            hertz = _hertz(site, self.frequency)
            return nine_cycles(self.electrode, hertz), f"9 cycles of {self.frequency} in {self.electrode * 1000:g} mm"
        if self.frequency is not None:
            site.fail("frequency", 'belongs to rule = "9-cycles"')
        if self.residence is None:
            site.fail("residence", 'rule = "residence" needs the least time in the electrode, such as "50 ms"')
            return 0.0, ""
        return residence(self.electrode, self.residence), f"{self.residence * 1000:g} ms in {self.electrode * 1000:g} mm"


def _hertz(site: Site, frequency: Quantity) -> float:
    try:
        if "hz" not in frequency.unit.lower():
            raise UnitError("")  # the unit library would turn turns per minute into hertz by 2π
        return frequency.to("Hz")
    except UnitError:
        site.fail("frequency", f"{frequency} is no frequency; write Hz or kHz")
        return 0.0


class UntestedRule(Rule):
    """The running rule."""

    def __init__(
        self, name: str, settings: UntestedSettings, station: str, unit: str, required: Level, fastest: float, told: str
    ) -> None:
        super().__init__(name, settings)
        self._s = settings
        self._station = station
        self._unit = unit
        self._levels = required
        self._required = required.least()
        self._fastest = fastest
        self._told = told
        self._on = True
        self._known: float | None = None  # metre up to which cable is known to be tested
        self._begun: tuple[float, float, str] | None = None  # time, metre and reason of the stretch under way

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good reading of the voltage or of the switch."""
        if not usable(m):
            return []
        self._require(m.metre, view)
        if m.tag == self._s.voltage_on:
            self._on = m.value != 0
            return self._decide("" if self._on else "high voltage is off", m, view) if not self._on else []
        if m.tag != self._s.voltage:
            return []
        if not self._on:
            return self._decide("high voltage is off", m, view)
        if m.value < self._required:
            why = f"{number(m.value, self._required, self._unit)} below the {number(self._required, self._required, self._unit)} required"
            return self._decide(why, m, view)
        if view.speed > self._fastest:
            why = f"{view.speed * 60:.0f} m/min above the {self._fastest * 60:.0f} m/min that {self._told} allow"
            return self._decide(why, m, view)
        return self._decide("", m, view)

    def _require(self, metre: float, view: View) -> None:
        """What the product of that metre asks for; the most that any asks for where the product is not known."""
        if self._levels.products is not None:
            found = self._levels.of(view.product_at(metre))
            self._required = found if found == found else max(self._levels.each())

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading says nothing of the test, so the cable counts as untested; while `when` does not hold nothing is judged."""
        if m.tag not in self._s.tags() or not (abs(m.metre) < 1e9):
            return []
        self._require(m.metre, view)
        if m.quality is BAD:
            return self._decide(f"no good reading of {m.tag}: {m.reason or 'bad'}", m, view) if m.tag == self._s.voltage else []
        self._known = None
        return self._end(m, view, "no longer judged: `when` does not hold")

    def _decide(self, why: str, m: Measured, view: View) -> list[Finding]:
        if not why:
            self._known = m.metre
            return self._end(m, view, f"tested again by {self._told}")
        if self._begun is not None:
            return []
        # nobody knows since when: from the last metre that is known to be good, electrode included
        start = min(m.metre, self._known if self._known is not None else m.metre) - self._s.electrode
        self._begun = (m.time, start, why)
        return [Told(m.time, self._stretch(m, start, None, view, why)), self._condition(m, why, active=True)]

    def _end(self, m: Measured, view: View, why: str) -> list[Finding]:
        if self._begun is None:
            return []
        ended = self._condition(m, why, active=False)
        _, start, reason = self._begun
        self._begun = None
        return [Told(m.time, self._stretch(m, start, max(start, m.metre), view, reason)), ended]

    def _stretch(self, m: Measured, start: float, end: float | None, view: View, why: str) -> StretchEvent:
        return StretchEvent(
            mark="untested",
            cause=self.name,
            station=self._station,
            open=end is None,
            metre=start,
            metre_uncertainty=m.uncertainty,
            start=start,
            end=end,
            decided=rfc3339(view.now),
            explanation=f"{why} (rule: {self._told})",
        )

    def _condition(self, m: Measured, why: str, *, active: bool) -> Condition:
        assert self._begun is not None
        return Condition(
            limit="untested",
            active=active,
            onset_time=self._begun[0],
            metre=self._begun[1],
            metre_uncertainty=m.uncertainty,
            start=self._begun[1],
            end=max(self._begun[1], m.metre),
            value=m.value if usable(m) and m.tag == self._s.voltage else None,
            bound=self._required,
            unit=self._unit,
            quality=m.quality.word,
            explanation=why,
        )

    def snapshot(self) -> dict[str, Any]:
        """The stretch under way."""
        return {"on": self._on, "known": self._known, "begun": None if self._begun is None else list(self._begun)}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._on = bool(state.get("on", True))
        self._known = state.get("known")
        begun = state.get("begun")
        self._begun = None if begun is None else (begun[0], begun[1], begun[2])
