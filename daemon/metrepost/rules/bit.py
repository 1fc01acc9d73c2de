"""`bit`: a tag, or one bit of a whole-number tag, that is set (or clear) when it should not be."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from ..readings import BAD, Measured, Tag
from ..readings.units import LengthOrDuration
from .contract import Condition, Finding, LimitText, Rule, Site, View
from .delays import Change, Delay
from .gate import Gate, Pass, gate
from .looking_up import check_extent, find_tag, usable
from .one_limit import OneLimit
from .standing import Standing
from .wording import since

_WHOLE = 2.0**53
"""Above this a double does not hold every whole number, so single bits mean nothing."""


class BitSettings(OneLimit):
    """Keys of `bit`. Without `bit` the whole value counts: 0 is clear, anything else is set."""

    kind: Literal["bit"]
    reads: str
    bit: Annotated[int, Field(ge=0, le=52)] | None = None
    alarm_when: bool = True
    on_delay: LengthOrDuration | None = None
    off_delay: LengthOrDuration | None = None

    def tags(self) -> tuple[str, ...]:
        """The one tag."""
        return (self.reads,)

    def limits(self) -> dict[str, LimitText]:
        """``set``."""
        return {"set": self.text()}

    def build(self, name: str, site: Site) -> "Bit":
        """Refuses an unknown tag, and length delays on a line without axis."""
        tag = find_tag(site, self.reads)
        check_extent(site, "on_delay", self.on_delay)
        check_extent(site, "off_delay", self.off_delay)
        return Bit(name, self, tag, gate(self, site), has_axis=site.has_axis)


class Bit(Rule):
    """A running bit."""

    def __init__(self, name: str, settings: BitSettings, tag: Tag, gated: Gate, *, has_axis: bool) -> None:
        super().__init__(name, settings)
        self._reads = settings.reads
        self._bit = settings.bit
        self._alarm_when = settings.alarm_when
        self._axis = has_axis
        self._delay = Delay(settings.on_delay, settings.off_delay)
        self.gate = gated
        self._standing = Standing(tag, gated)

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading."""
        if m.tag != self._reads:
            return []
        if not self._says(m):
            self._hold()
            return []
        self._standing.note(m)
        return self._judge(m)

    def _says(self, m: Measured) -> bool:
        """A fraction or a negative number has no bits."""
        return usable(m) and (self._bit is None or (0 <= m.value < _WHOLE and m.value == int(m.value)))

    def _judge(self, m: Measured) -> list[Finding]:
        is_set = m.value != 0.0 if self._bit is None else bool(int(m.value) >> self._bit & 1)
        alarming = is_set is self._alarm_when
        change = self._delay.step(alarming, not alarming, m.time, m.metre)
        if change is None:
            return []
        on, delay = change is Change.ON, self._delay
        what = self._reads if self._bit is None else f"{self._reads} bit {self._bit}"
        word = "set" if is_set else "clear"
        time, metre = (delay.since_time, delay.since_metre) if on else (delay.clear_time, delay.clear_metre)
        return [self._condition(m, on, time, metre, f"{what} is {word} {since(time, metre if self._axis else None)}")]

    def _condition(self, m: Measured, active: bool, time: float, metre: float, text: str) -> Condition:
        return Condition(
            limit="set",
            active=active,
            onset_time=time,
            metre=metre if self._axis else None,
            metre_uncertainty=m.uncertainty if self._axis else None,
            start=self._delay.since_metre if self._axis else None,
            end=max(metre, self._delay.since_metre, m.metre if active else metre) if self._axis else None,
            value=m.value,
            quality=m.quality.word,
            explanation=text,
        )

    def _hold(self) -> None:
        self._standing.forget()
        self._delay.hold()

    def unwatched(self) -> None:
        """A gap, as a bad reading is one."""
        self._hold()

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading holds the state; a good one outside `when` ends it."""
        if m.tag != self._reads:
            return []
        if m.quality is BAD or not usable(m):
            self._hold()
            return []
        if self._says(m):
            self._standing.passed(m)
        else:
            self._standing.forget()  # what has no bits must not be judged as a value that stands, once `when` holds
        return self._end(m)

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: the last value is judged after it."""
        if m.tag != self._reads:
            return []
        if self._says(m):
            self._standing.note(m)
        else:
            self._standing.forget()
        self._delay.suspend()
        return []

    def _end(self, m: Measured) -> list[Finding]:
        if not self._delay.drop():
            return []
        return [self._condition(m, False, m.time, m.metre, "no longer judged: `when` does not hold")]

    def tick(self, view: View) -> list[Finding]:
        """A value that stands is judged again, so that delays go on."""
        repeated = self._standing.repeat(view)
        if repeated is None:
            return []
        m, may = repeated
        if may is Pass.HOLD:
            self._delay.suspend()
            return []
        return self._judge(m) if may is Pass.JUDGE else self._end(m)

    def snapshot(self) -> dict[str, Any]:
        """Delay and standing value."""
        return {"delay": self._delay.snapshot(), "standing": self._standing.snapshot()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._delay.restore(state.get("delay") or {})
        self._standing.restore(state.get("standing") or {})
