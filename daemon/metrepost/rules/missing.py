"""`missing`: a tag that has not said anything good for a while. Bad readings are silence too, with a reason to tell."""

import math
from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from ..readings import BAD, Measured, Tag
from ..readings.units import LengthOrDuration
from .contract import Condition, Finding, LimitText, Rule, Site, Tags, View
from .gate import Gate, Pass, gate
from .looking_up import find_tag, positive_extent
from .one_limit import OneLimit
from .standing import DOWNTIME
from .wording import listed


class MissingSettings(OneLimit):
    """Keys of `missing`."""

    kind: Literal["missing"]
    reads: Tags
    for_: LengthOrDuration = Field(alias="for")

    def tags(self) -> tuple[str, ...]:
        """The tags that must be heard."""
        return self.reads

    def limits(self) -> dict[str, LimitText]:
        """``missing``."""
        return {"missing": self.text()}

    def build(self, name: str, site: Site) -> "Missing":
        """Refuses a `for` of 0, and one shorter than the tag's own interval."""
        tags = [find_tag(site, tag) for tag in self.reads]
        positive_extent(site, "for", self.for_)
        slowest = max((tag for tag in tags if tag.name in site.tags), key=lambda tag: tag.interval, default=None)
        if slowest is not None and 0 < self.for_.seconds < 2 * slowest.interval:
            wrong = f"{self.for_} is less than two intervals of {slowest.name} ({slowest.interval:g} s): every late answer would alarm"
            site.fail("for", wrong)
        return Missing(name, self, tags, gate(self, site), has_axis=site.has_axis)


class _Heard:
    """When a tag was last heard, and why not since."""

    __slots__ = ("metre", "reason", "time")

    def __init__(self) -> None:
        self.time: float | None = None
        self.metre = 0.0
        self.reason = ""


class Missing(Rule):
    """A running watch. Silence counts from the first tick on, while `when` holds for the cable in front of the station."""

    def __init__(self, name: str, settings: MissingSettings, tags: list[Tag], gated: Gate, *, has_axis: bool) -> None:
        super().__init__(name, settings)
        self._for = settings.for_
        self._axis = has_axis
        self.gate: Gate = gated
        self._stations = {tag.name: tag.station for tag in tags}
        self._heard = {tag.name: _Heard() for tag in tags}
        self._active = False
        self._ticked: float | None = None

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading: the tag was heard."""
        heard = self._heard.get(m.tag)
        if heard is None:
            return []
        if not math.isfinite(m.value):
            heard.reason = m.reason or "no number"
            return []
        heard.time, heard.metre, heard.reason = view.now, view.metre_now(self._stations[m.tag]), ""
        return self._decide(view) if self._active else []

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading is silence with a reason; a good one outside `when` was heard all the same."""
        if m.quality is not BAD:
            return self.judge(m, view)
        if m.tag in self._heard:
            self._heard[m.tag].reason = m.reason or "bad"
        return []

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: the tag was heard; silence is counted from the end of the hold-off."""
        return self.judge(m, view)

    def tick(self, view: View) -> list[Finding]:
        """Silence grows with line time."""
        ticked, self._ticked = self._ticked, view.now
        if ticked is not None and view.now - ticked > DOWNTIME:
            for heard in self._heard.values():  # the daemon was down: that was its own silence
                if heard.time is not None:
                    heard.time += view.now - ticked
        return self._decide(view)

    def _held(self, view: View) -> bool:
        held = [tag for tag, at in self._stations.items() if self.gate.ask(view.metre_now(at), view) is Pass.HOLD]
        for tag in held if not self._active else ():
            heard = self._heard[tag]
            heard.time, heard.metre = view.now, view.metre_now(self._stations[tag])
        return bool(held)

    def _decide(self, view: View) -> list[Finding]:
        if self.gate.hold_off is not None and self._held(view):
            return []
        silent = [tag for tag in self._heard if self._is_silent(tag, view)]
        if bool(silent) is self._active:
            return []
        self._active = bool(silent)
        if not silent:
            return [self._condition(view, False, view.now, None, 0.0, f"heard again: {listed(list(self._heard))}")]
        first = min(silent, key=lambda tag: self._heard[tag].time or 0.0)
        heard = self._heard[first]
        reasons = sorted({self._heard[tag].reason for tag in silent} - {""})
        text = f"no good reading of {listed(silent)} for {self._for}"
        if reasons:
            text += f" ({', '.join(reasons)})"
        waited = view.now - (heard.time or view.now)
        return [self._condition(view, True, heard.time or view.now, heard.metre, waited, text)]

    def _is_silent(self, tag: str, view: View) -> bool:
        heard = self._heard[tag]
        metre = view.metre_now(self._stations[tag])
        if heard.time is None or self.gate.ask(metre, view) is Pass.SHUT:
            heard.time, heard.metre = view.now, metre
            return False
        if self._for.is_length:
            return metre - heard.metre > self._for.metres
        return view.now - heard.time > self._for.seconds

    def _condition(self, view: View, active: bool, time: float, metre: float | None, waited: float, text: str) -> Condition:
        station = next(iter(self._stations.values()))
        now = view.metre_now(station)
        return Condition(
            limit="missing",
            active=active,
            onset_time=time,
            metre=(now if metre is None else metre) if self._axis else None,
            start=metre if self._axis else None,
            end=now if self._axis else None,
            value=waited if active and not self._for.is_length else None,
            bound=self._for.metres if self._for.is_length else self._for.seconds,
            unit="m" if self._for.is_length else "s",
            quality="bad" if active else "good",
            explanation=text,
        )

    def snapshot(self) -> dict[str, Any]:
        """When each tag was last heard."""
        return {
            "heard": {tag: [heard.time, heard.metre, heard.reason] for tag, heard in self._heard.items()},
            "active": self._active,
            "ticked": self._ticked,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave. Time the daemon was down is left out at the first tick."""
        for tag, (time, metre, reason) in (state.get("heard") or {}).items():
            if tag in self._heard:
                heard = self._heard[tag]
                heard.time, heard.metre, heard.reason = time, metre, reason
        self._active = bool(state.get("active", False))
        self._ticked = state.get("ticked")
