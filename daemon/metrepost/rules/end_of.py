"""`end_of`: something runs out soon: the pay-off is nearly empty, the reel nearly full, in metres and in minutes at the present speed."""

from collections.abc import Mapping
from typing import Any, Literal

from ..events import CutEvent, EventData
from ..readings import BAD, Measured
from ..readings.units import Duration, Length, affine, same_dimension
from .contract import Condition, Finding, LimitText, Rule, Site, View
from .looking_up import find_tag, usable
from .one_limit import OneLimit

BACK = 1.05
"""Share over the warning at which it is over: a new reel or coil, not noise."""


class EndOfSettings(OneLimit):
    """Keys of `kind = "end_of"`. `reads` is what is left in metres; with `length_of = "reel"` it is what fits on the reel."""

    kind: Literal["end_of"]
    reads: str | None = None
    length_of: Literal["reel"] | None = None
    full: Length | None = None
    station: str = "take-up"
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
            if not site.has_axis:
                site.fail("length_of", "the length of a reel needs a length axis, and this line has no [length]")
            if self.station not in site.stations:
                site.fail("station", f'there is no station "{self.station}"', sorted(site.stations))
        if self.metres is None and self.minutes is None:
            site.fail("metres", 'say how long before: metres = "200 m", minutes = "5 min" or both')
        scale = 1.0
        if self.reads is not None and self.reads in site.tags:
            unit = find_tag(site, self.reads).unit
            if same_dimension(unit, "m"):
                scale = affine(unit, "m")[0]
            else:
                site.fail("reads", f"{self.reads} is in {unit or '1 (no unit)'}, not a length")
        return EndOfRule(name, self, scale)


class EndOfRule(Rule):
    """The running rule."""

    def __init__(self, name: str, settings: EndOfSettings, scale: float) -> None:
        super().__init__(name, settings)
        self.listens = ("cut",) if settings.length_of is not None else ()
        self._s = settings
        self._scale = scale
        self._start: float | None = None
        self._active = False
        self._since = 0.0

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """What is left."""
        if m.tag != self._s.reads or not usable(m):
            return []
        return self._decide(m.value * self._scale, m.time, m.metre, view)

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading holds; outside `when` the warning ends."""
        if m.tag != self._s.reads or m.quality is BAD or not usable(m) or not self._active:
            return []
        return self._tell(active=False, time=m.time, metre=m.metre, left=0.0, text="no longer judged: `when` does not hold")

    def heard(self, event: EventData, view: View) -> list[Finding]:
        """A cut: the next reel begins."""
        if not isinstance(event, CutEvent) or event.metre is None:
            return []
        self._start = event.metre
        if not self._active:
            return []
        return self._tell(active=False, time=view.now, metre=event.metre, left=0.0, text="a new reel began")

    def tick(self, view: View) -> list[Finding]:
        """The reel grows with the metre at the take-up (cable in the accumulator counts as wound: it will be)."""
        if self._s.length_of is None or self._start is None or self._s.full is None:
            return []
        metre = view.metre_now(self._s.station)
        return self._decide(self._s.full - (metre - self._start), view.now, metre, view)

    def _decide(self, left: float, time: float, metre: float, view: View) -> list[Finding]:
        seconds = left / view.speed if view.speed > 0 else float("inf")
        near = (self._s.metres is not None and left < self._s.metres) or (
            self._s.minutes is not None and seconds < self._s.minutes
        )
        if near and not self._active:
            minutes = f", {max(0.0, seconds) / 60:.1f} min at {view.speed * 60:.0f} m/min" if view.speed > 0 else ""
            what = "the reel is full" if self._s.length_of is not None else f"{self._s.reads} is at its end"
            return self._tell(active=True, time=time, metre=metre, left=left, text=f"{what} in {max(0.0, left):.0f} m{minutes}")
        clear = (self._s.metres is None or left > BACK * self._s.metres) and (
            self._s.minutes is None or seconds > BACK * self._s.minutes
        )
        if self._active and clear:
            return self._tell(active=False, time=time, metre=metre, left=left, text=f"{left:.0f} m are left")
        return []

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
        return {"start": self._start, "active": self._active, "since": self._since}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self._start = state.get("start")
        self._active = bool(state.get("active", False))
        self._since = float(state.get("since", 0.0))
