"""`untested`: cable that passed the spark tester without a valid test: voltage off or low, too fast, or nobody knows.

The voltage required is a setting of the product specification; it is never derived from the wall. This watches a test, it makes
none, and it says nothing about whether the electrode is safe to touch.
"""

import math
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from ..events import CounterEvent, EventData, StretchEvent
from ..readings import BAD, Measured, Tag
from ..readings.moment import rfc3339
from ..readings.units import AnyQuantity, Duration, Length, Quantity, UnitError
from .contract import Condition, Finding, LimitText, Rule, Site, Told, View
from .dwell import nine_cycles, residence
from .gate import Gate, Pass, gate
from .level import ABOVE_ZERO, level_of
from .looking_up import find_tag
from .one_limit import OneLimit
from .setpoint import Setpoint
from .spark_test import SparkTest, TesterPlan

SILENCE = 12.0
"""Seconds without a reading that still count as tested, when nothing is declared: values of a subscription that do not change are
handed over again within 10 s."""

FAR = 1e9
"""Metres beyond which a metre is nonsense."""

MOVED = 0.001
"""Metres that must have gone by: while the line stands no cable passes untested."""


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
    silence: Duration | None = Field(default=None, gt=0.0)

    def tags(self) -> tuple[str, ...]:
        """The voltage, and the tag that says it is on."""
        return (self.voltage,) if self.voltage_on is None else (self.voltage, self.voltage_on)

    def limits(self) -> dict[str, LimitText]:
        """``untested``."""
        return {"untested": self.text()}

    def build(self, name: str, site: Site) -> "UntestedRule":
        """Refuses a rule without its figure, wrong dimensions, a line without axis, a silence as short as the tags' own."""
        tag = find_tag(site, self.voltage)
        if not site.has_axis:
            site.fail("", "an untested stretch is cable by the metre, and this line has no [length]")
        if not self.electrode > 0:
            site.fail("electrode", "must be more than 0")
        fastest, told = self._fastest(site)
        required = level_of(site, "required", self.required, tag.unit, least=ABOVE_ZERO)
        if self.hold_off is not None:
            site.fail("hold_off", "would pass cable as tested because a setpoint changed; leave it out")
        plan = TesterPlan(tag, self.voltage_on, required, fastest, told, self._silence(site))
        return UntestedRule(name, self, plan, gate(self, site))

    def _silence(self, site: Site) -> float:
        known = [site.tags[tag] for tag in self.tags() if tag in site.tags]
        slowest = max(known, key=lambda tag: tag.interval, default=Tag(self.voltage, ""))
        interval = slowest.interval
        if self.silence is None:
            return max(SILENCE, 3.0 * interval)
        if self.silence < 2.0 * interval:
            wrong = f"{self.silence:g} s is less than two intervals of {slowest.name} ({interval:g} s): every late answer would mark cable"
            site.fail("silence", wrong)
        return self.silence

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
    """The running rule: marks the cable while the test does not count."""

    listens = ("counter",)

    def __init__(self, name: str, settings: UntestedSettings, plan: TesterPlan, gated: Gate) -> None:
        super().__init__(name, settings)
        self.gate: Gate = gated
        self._electrode = settings.electrode
        self._tags = settings.tags()
        self._plan = plan
        self._station = plan.voltage.station
        self._test = SparkTest(plan)
        self._begun: tuple[float, float, str] | None = None  # time, metre and reason of the stretch under way
        self._uncertainty: float | None = None

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading of the voltage or of the switch."""
        if m.tag not in self._tags:
            return []
        self._test.hear(m, "" if math.isfinite(m.value) else "not a number", view)
        return self._look(m, view)

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading is no test, so the cable counts as untested; while `when` does not hold nothing is judged."""
        if m.tag not in self._tags:
            return []
        bad = m.quality is BAD
        self._test.hear(m, m.reason or "bad" if bad else "" if math.isfinite(m.value) else "not a number", view)
        if bad and self.gate.ask(m.metre, view) is not Pass.SHUT:
            return self._look(m, view)
        return self._leave(_time(m, view), self._metre(m, view), view)

    def tick(self, view: View) -> list[Finding]:
        """Speed changes and silence grows without readings."""
        metre = self._metre(None, view)
        if metre is None:
            return []
        if self.gate.ask(metre, view) is Pass.SHUT:
            return self._leave(view.now, metre, view)
        return self._decide(self._test.look(metre, view), view.now, metre, view)

    def heard(self, event: EventData, view: View) -> list[Finding]:
        """The daemon was down: what passed the tester meanwhile is untested for all that anybody knows."""
        if not isinstance(event, CounterEvent) or event.what != "restart" or not event.bridged > 0:
            return []
        metre = self._metre(None, view)
        if metre is None:
            return []
        if not self._test.watching:
            passed = metre - event.bridged
            if self.gate.ask(passed, view) is Pass.SHUT and self.gate.ask(metre, view) is Pass.SHUT:
                return []
            self._test.look(passed, view)  # nothing is known from before, so it begins where the downtime began
        elif not self._test.looked_away(view):
            return []
        return self._decide(self._test.was_down("the daemon was down", view), view.now, metre, view)

    # ---- the stretch

    def _metre(self, m: Measured | None, view: View) -> float | None:
        """The metre in front of the tester; None while the length axis does not know (it then says exactly 0)."""
        if m is not None and math.isfinite(m.uncertainty):
            self._uncertainty = m.uncertainty
        if m is not None and m.tag == self._plan.voltage.name and math.isfinite(m.metre) and abs(m.metre) < FAR:
            return m.metre if math.isfinite(m.uncertainty) else None
        metre = view.metre_now(self._station)
        return metre if metre != 0.0 and abs(metre) < FAR else None

    def _look(self, m: Measured, view: View) -> list[Finding]:
        metre = self._metre(m, view)
        if metre is None:
            return []
        return self._decide(self._test.look(metre, view, m.tag), _time(m, view), metre, view)

    def _decide(self, failing: Mapping[str, str], time: float, metre: float, view: View) -> list[Finding]:
        if not failing:
            return self._end(time, metre, view, f"tested again by {self._plan.fastest_by}")
        # nobody knows since when: from the last metre that is known to be good
        until = self._test.good_until(failing)
        if self._begun is not None or metre - until < MOVED:
            return []
        start = until - self._electrode
        why = next(iter(failing.values()))
        self._begun = (time, start, why)
        return [Told(time, self._stretch(start, None, view, why)), self._condition(metre, why, active=True)]

    def _leave(self, time: float, metre: float | None, view: View) -> list[Finding]:
        self._test.leave()
        at = self._begun[1] if metre is None and self._begun is not None else metre
        return [] if at is None else self._end(time, at, view, "no longer judged: `when` does not hold")

    def _end(self, time: float, metre: float, view: View, why: str) -> list[Finding]:
        if self._begun is None:
            return []
        ended = self._condition(metre, why, active=False)
        _, start, reason = self._begun
        self._begun = None
        # what lay in the electrode when the test began to count was not tested for all of its way
        return [Told(time, self._stretch(start, max(start, metre + self._electrode), view, reason)), ended]

    def _stretch(self, start: float, end: float | None, view: View, why: str) -> StretchEvent:
        return StretchEvent(
            mark="untested",
            cause=self.name,
            station=self._station,
            open=end is None,
            metre=start,
            metre_uncertainty=self._uncertainty,
            start=start,
            end=end,
            decided=rfc3339(view.now),
            explanation=f"{why} (rule: {self._plan.fastest_by})",
        )

    def _condition(self, metre: float, why: str, *, active: bool) -> Condition:
        assert self._begun is not None
        return Condition(
            limit="untested",
            active=active,
            onset_time=self._begun[0],
            metre=self._begun[1],
            metre_uncertainty=self._uncertainty,
            start=self._begun[1],
            end=max(self._begun[1], metre),
            value=self._test.voltage,
            bound=self._test.required,
            unit=self._plan.voltage.unit,
            quality=self._test.quality,
            explanation=why,
        )

    def snapshot(self) -> dict[str, Any]:
        """What is known of the test, and the stretch under way."""
        return {
            "test": self._test.snapshot(),
            "begun": None if self._begun is None else list(self._begun),
            "uncertainty": self._uncertainty,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._test.restore(state.get("test") or {})
        begun = state.get("begun")
        self._begun = None if begun is None else (begun[0], begun[1], begun[2])
        self._uncertainty = state.get("uncertainty")


def _time(m: Measured, view: View) -> float:
    return m.time if math.isfinite(m.time) else view.now
