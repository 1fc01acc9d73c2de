"""`end_of`: something runs out soon: the pay-off is nearly empty, the reel nearly full, in metres and in minutes at the present speed.

Minutes are judged in metres, as what passes in them at the present speed. The limit that was met stands until the alarm ends: a line that
slows down, stops or starts changes nothing about the reel, so it neither ends the warning nor raises it again.
"""

from collections.abc import Mapping
from math import isfinite
from typing import Any, Literal

from ..events import CutEvent, EventData
from ..readings import BAD, Measured
from ..readings.units import Duration, Length, affine, same_dimension
from .contract import Condition, Finding, LimitText, Rule, Site, View
from .gate import Gate, Pass, gate
from .looking_up import find_tag, usable
from .one_limit import OneLimit

BACK = 1.1
"""Share of the limit that must be left for the warning to end: a new reel or coil, not noise."""


class EndOfSettings(OneLimit):
    """Keys of `kind = "end_of"`. `reads` is what is left in metres; with `length_of = "reel"` it is what fits on the reel.

    `wound_before` is what is taken to be on the first reel when counting begins, no cut having been seen yet.
    """

    kind: Literal["end_of"]
    reads: str | None = None
    length_of: Literal["reel"] | None = None
    full: Length | None = None
    station: str = "take-up"
    wound_before: Length = 0.0
    metres: Length | None = None
    minutes: Duration | None = None

    def tags(self) -> tuple[str, ...]:
        """The tag of what is left, if any."""
        return (self.reads,) if self.reads is not None else ()

    def limits(self) -> dict[str, LimitText]:
        """``near``."""
        return {"near": self.text()}

    def build(self, name: str, site: Site) -> "EndOfRule":
        """Refuses both or none of tag and reel, and a warning that is none."""
        if (self.reads is None) is (self.length_of is None):
            site.fail("reads", 'give reads (a tag of what is left) or length_of = "reel", one of them')
        if self.length_of is not None:
            if self.full is None or self.full <= 0:
                site.fail("full", 'length_of = "reel" needs the length that fits on it, such as full = "6000 m"')
            elif self.metres is not None and self.metres >= self.full:
                site.fail("metres", "must be less than full, or a reel is nearly full from its first metre")
            if self.wound_before < 0 or (self.full is not None and self.wound_before > self.full):
                site.fail("wound_before", "must be between 0 and full")
            if not site.has_axis:
                site.fail("length_of", "the length of a reel needs a length axis, and this line has no [length]")
            if self.station not in site.stations:
                site.fail("station", f'there is no station "{self.station}"', sorted(site.stations))
        if self.reads is not None and self.length_of is None:
            for key in sorted({"full", "station", "wound_before"} & self.model_fields_set):
                site.fail(key, 'belongs to length_of = "reel"; beside reads it would mean nothing: leave it out')
        if self.metres is None and self.minutes is None:
            site.fail("metres", 'say how long before: metres = "200 m", minutes = "5 min" or both')
        scale = 1.0
        if self.reads is not None and self.reads in site.tags:
            unit = find_tag(site, self.reads).unit
            if same_dimension(unit, "m"):
                scale = affine(unit, "m")[0]
            else:
                site.fail("reads", f"{self.reads} is in {unit or '1 (no unit)'}, not a length")
        return EndOfRule(name, self, scale, gate(self, site))


class EndOfRule(Rule):
    """The running rule."""

    def __init__(self, name: str, settings: EndOfSettings, scale: float, gated: Gate) -> None:
        super().__init__(name, settings)
        self.gate: Gate = gated
        self.listens = ("cut",) if settings.length_of is not None else ()
        self._s = settings
        self._scale = scale
        self._start: float | None = None  # metre at which the reel was empty
        self._assumed = False  # whether no cut told so
        self._active = False
        self._met = 0.0  # the limit that was met, in metres
        self._since = 0.0

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """What is left."""
        if m.tag != self._s.reads or not usable(m):
            return []
        return self._decide(m.value * self._scale, m.time, m.metre, view)

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading holds; outside `when` the warning ends."""
        if m.tag != self._s.reads or m.quality is BAD or not usable(m):
            return []
        return self._leave(m.time, m.metre)

    def _leave(self, time: float, metre: float) -> list[Finding]:
        if not self._active:
            return []
        return self._tell(active=False, time=time, metre=metre, left=0.0, text="no longer judged: `when` does not hold")

    def heard(self, event: EventData, view: View) -> list[Finding]:
        """A cut: the next reel begins."""
        if not isinstance(event, CutEvent) or event.metre is None:
            return []
        self._start, self._assumed = event.metre, False
        if not self._active:
            return []
        return self._tell(active=False, time=view.now, metre=event.metre, left=0.0, text="a new reel began")

    def tick(self, view: View) -> list[Finding]:
        """The reel grows with the metre at the take-up (cable in the accumulator counts as wound: it will be)."""
        if self._s.length_of is None or self._s.full is None:
            return []
        metre = view.metre_now(self._s.station)
        # exactly 0 is what a line says before its counter was read, and would look like an empty reel after a restart
        if metre == 0.0 or not isfinite(metre):
            return []
        if self._start is None:
            self._start, self._assumed = metre - self._s.wound_before, True
        may = self.gate.ask(metre, view)
        if may is Pass.HOLD:
            return []
        if may is Pass.SHUT:
            return self._leave(view.now, metre)
        return self._decide(self._s.full - (metre - self._start), view.now, metre, view)

    def _decide(self, left: float, time: float, metre: float, view: View) -> list[Finding]:
        moving = view.speed > 0
        limit = max(self._s.metres or 0.0, self._s.minutes * view.speed if self._s.minutes is not None and moving else 0.0)
        if not self._active and left < limit:
            self._met = limit
            return self._tell(active=True, time=time, metre=metre, left=left, text=self._soon(max(0.0, left), view))
        if self._active and left > BACK * max(limit, self._met):
            return self._tell(active=False, time=time, metre=metre, left=left, text=f"{left:.0f} m are left")
        return []

    def _soon(self, left: float, view: View) -> str:
        what = "the reel is full" if self._s.length_of is not None else f"{self._s.reads} is at its end"
        minutes = f", {left / view.speed / 60:.1f} min at {view.speed * 60:.0f} m/min" if view.speed > 0 else ""
        if not self._assumed or self._start is None:
            return f"{what} in {left:.0f} m{minutes}"
        began = f"{self._s.wound_before:.0f} m on the reel at metre {self._start + self._s.wound_before:.0f}"
        return f"{what} in {left:.0f} m{minutes}; no cut was seen yet, so its length is assumed: {began}, when counting began"

    def _tell(self, *, active: bool, time: float, metre: float, left: float, text: str) -> list[Finding]:
        self._active = active
        if active:
            self._since = time
        return [
            Condition(
                limit="near",
                active=active,
                onset_time=self._since,
                metre=metre,
                value=left if active else None,
                unit="m",
                explanation=text,
            )
        ]

    def snapshot(self) -> dict[str, Any]:
        """Where the reel began, and what is told."""
        return {
            "start": self._start,
            "assumed": self._assumed,
            "active": self._active,
            "met": self._met,
            "since": self._since,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._start = state.get("start")
        self._assumed = bool(state.get("assumed", False))
        self._active = bool(state.get("active", False))
        self._met = float(state.get("met", 0.0))
        self._since = float(state.get("since", 0.0))
