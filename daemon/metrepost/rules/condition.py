"""`condition`: an expression (CEL) over current values, qualities, alarms, line state and speed."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator

from ..readings import BAD, Measured
from ..readings.units import LengthOrDuration
from .contract import Condition, Finding, LimitText, Rule, Site, View
from .delays import Change, Delay
from .expressions import Expression, compile_expression, named
from .gate import Gate, Pass, gate
from .looking_up import check_extent
from .one_limit import OneLimit
from .wording import since

_OptionalTags = Annotated[
    tuple[str, ...],
    BeforeValidator(lambda value: (value,) if isinstance(value, str) else tuple(value) if isinstance(value, list) else value),
]


class ConditionSettings(OneLimit):
    """Keys of `condition`. `reads` may be left out: the tags an expression names are read anyhow."""

    kind: Literal["condition"]
    reads: _OptionalTags = ()
    expression: str
    on_delay: LengthOrDuration | None = None
    off_delay: LengthOrDuration | None = None

    def tags(self) -> tuple[str, ...]:
        """`reads` and whatever the expression names."""
        return tuple(dict.fromkeys(self.reads + named(self.expression).tags))

    def limits(self) -> dict[str, LimitText]:
        """``true``."""
        return {"true": self.text()}

    def build(self, name: str, site: Site) -> "ConditionRule":
        """Refuses syntax errors, unknown names, and results that are not true or false."""
        expression = compile_expression(self.expression, site, "expression")
        check_extent(site, "on_delay", self.on_delay)
        check_extent(site, "off_delay", self.off_delay)
        first = next((tag for tag in self.tags() if tag in site.tags), None)
        station = site.tags[first].station if first is not None else ""
        return ConditionRule(name, self, expression, gate(self, site), station, has_axis=site.has_axis)


class ConditionRule(Rule):
    """A running condition. It is worked out at every reading of its tags and at every tick.

    The answer "not known" (a value it needs is bad or absent, or the expression failed) holds the state; failures are counted in
    `faults`, and `fault` has the last one in words.
    """

    def __init__(
        self,
        name: str,
        settings: ConditionSettings,
        expression: Expression | None,
        gated: Gate,
        station: str,
        *,
        has_axis: bool,
    ) -> None:
        super().__init__(name, settings)
        self._expression = expression
        self.gate: Gate = gated
        self._station = station
        self._axis = has_axis
        self._delay = Delay(settings.on_delay, settings.off_delay)

    @property
    def faults(self) -> int:
        """Evaluations that failed since the start."""
        return self._expression.faults if self._expression is not None else 0

    @property
    def fault(self) -> str:
        """The last failure, in words."""
        return self._expression.fault if self._expression is not None else ""

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading of one of its tags. The expression decides with the values as they are now."""
        return self._decide(view)

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading counts for what the expression makes of it: a value it needs is then absent and the state is held."""
        return self._decide(view) if m.quality is BAD else self._end(view)

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: the expression decides at the first tick or reading after it."""
        return self._decide(view)

    def unwatched(self) -> None:
        """A gap: it does not count as false."""
        self._delay.hold()

    def tick(self, view: View) -> list[Finding]:
        """State, speed, alarms and time change without readings."""
        return self._decide(view)

    def _decide(self, view: View) -> list[Finding]:
        if self._expression is None:
            return []
        metre = view.metre_now(self._station) if self._station else 0.0
        may = self.gate.ask(metre, view)
        if may is Pass.SHUT:
            return self._end(view)
        if may is Pass.HOLD:
            self._delay.suspend()
            return []
        answer = self._expression.answer(view.state, view)
        if answer is None:
            self._delay.hold()
            return []
        change = self._delay.step(answer, not answer, view.now, metre)
        if change is None:
            return []
        delay, on = self._delay, change is Change.ON
        time, at = (delay.since_time, delay.since_metre) if on else (delay.clear_time, delay.clear_metre)
        text = f"{self._expression.text} is {'true' if on else 'false'} {since(time, at if self._axis and self._station else None)}"
        return [self._condition(on, time, at, metre, text)]

    def _end(self, view: View) -> list[Finding]:
        if not self._delay.drop():
            return []
        metre = view.metre_now(self._station) if self._station else 0.0
        return [self._condition(False, view.now, metre, metre, "no longer judged: `when` does not hold")]

    def _condition(self, active: bool, time: float, metre: float, now: float, text: str) -> Condition:
        axis = self._axis and bool(self._station)
        return Condition(
            limit="true",
            active=active,
            onset_time=time,
            metre=metre if axis else None,
            start=self._delay.since_metre if axis else None,
            end=max(now if active else metre, self._delay.since_metre) if axis else None,
            explanation=text,
        )

    def snapshot(self) -> dict[str, Any]:
        """The delay, and the faults counted."""
        return {"delay": self._delay.snapshot(), "faults": self.faults}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._delay.restore(state.get("delay") or {})
        if self._expression is not None:
            self._expression.faults = int(state.get("faults", 0))
