"""`stuck`: a value that does not move although the line does: a frozen gauge repeats itself, a live one has noise."""

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import Field

from ..readings import BAD, Measured, Tag
from ..readings.units import AnyQuantity, LengthOrDuration
from .contract import Condition, Finding, LimitText, Rule, Site, Tags, View
from .gate import Gate, Pass, gate
from .looking_up import find_tag, in_unit, positive_extent, usable
from .one_limit import OneLimit
from .standing import Standing
from .wording import listed, since


class StuckSettings(OneLimit):
    """Keys of `stuck`. `tolerance`: how far the value may move and still count as standing (0 when left out)."""

    kind: Literal["stuck"]
    reads: Tags
    for_: LengthOrDuration = Field(alias="for")
    tolerance: AnyQuantity | None = None

    def tags(self) -> tuple[str, ...]:
        """The tags that must move."""
        return self.reads

    def limits(self) -> dict[str, LimitText]:
        """``stuck``."""
        return {"stuck": self.text()}

    def build(self, name: str, site: Site) -> "Stuck":
        """Refuses a `for` of 0 and a tolerance of the wrong dimension."""
        tags = [find_tag(site, tag) for tag in self.reads]
        positive_extent(site, "for", self.for_)
        tolerances = {}
        for tag in tags:
            own = in_unit(site, "tolerance", self.tolerance, tag.unit, difference=True) if self.tolerance is not None else 0.0
            if own < 0:
                site.fail("tolerance", f"{self.tolerance} is negative; it is a distance, 0 or more")
            tolerances[tag.name] = own
        return Stuck(name, self, tags, tolerances, gate(self, site), has_axis=site.has_axis)


class _Watched:
    """One tag: the value it stands at, and since when."""

    __slots__ = ("metre", "standing", "stuck", "time", "tolerance", "unit", "value")

    def __init__(self, tolerance: float, unit: str, standing: Standing) -> None:
        self.tolerance = tolerance
        self.unit = unit
        self.standing = standing
        self.value: float | None = None
        self.time = 0.0
        self.metre = 0.0
        self.stuck = False

    def drop(self) -> None:
        self.value = None
        self.stuck = False

    def suspend(self) -> None:
        if not self.stuck:
            self.value = None


class Stuck(Rule):
    """A running watch. A length does not grow while the line stands, so a standing line makes no gauge look frozen."""

    def __init__(
        self,
        name: str,
        settings: StuckSettings,
        tags: list[Tag],
        tolerances: Mapping[str, float],
        gated: Gate,
        *,
        has_axis: bool,
    ) -> None:
        super().__init__(name, settings)
        self.gate = gated
        self._for = settings.for_
        self._axis = has_axis
        self._watched = {tag.name: _Watched(tolerances[tag.name], tag.unit, Standing(tag, gated)) for tag in tags}
        self._active = False

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading."""
        watched = self._watched.get(m.tag)
        if watched is None:
            return []
        if not usable(m):
            watched.standing.forget()
            return []
        watched.standing.note(m)
        return self._judge(watched, m)

    def _judge(self, watched: _Watched, m: Measured) -> list[Finding]:
        if watched.value is None or not abs(m.value - watched.value) <= watched.tolerance:
            watched.value, watched.time, watched.metre = m.value, m.time, m.metre
            watched.stuck = False
        elif self._for.is_length:
            watched.stuck = watched.stuck or m.metre - watched.metre > self._for.metres
        else:
            watched.stuck = watched.stuck or m.time - watched.time > self._for.seconds
        return self._decide(watched, m, "moves again")

    def _decide(self, watched: _Watched, m: Measured, why: str) -> list[Finding]:
        stuck = [tag for tag, each in self._watched.items() if each.stuck]
        if bool(stuck) is self._active:
            return []
        self._active = bool(stuck)
        if stuck:
            axis = watched.metre if self._axis else None
            text = f"{listed(stuck)} stands at {watched.value:g} {watched.unit}".rstrip() + f" {since(watched.time, axis)}"
        else:
            text = f"{m.tag} {why}"
        return [
            Condition(
                limit="stuck",
                active=self._active,
                onset_time=watched.time if stuck else m.time,
                metre=(watched.metre if stuck else m.metre) if self._axis else None,
                metre_uncertainty=m.uncertainty if self._axis else None,
                start=watched.metre if self._axis and stuck else None,
                end=m.end if self._axis else None,
                value=m.value,
                unit=watched.unit,
                quality=m.quality.word,
                explanation=text,
            )
        ]

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading holds the state; a good one outside `when` ends it and begins anew."""
        watched = self._watched.get(m.tag)
        if watched is None:
            return []
        if m.quality is BAD or not usable(m):
            watched.standing.forget()
            return []
        watched.standing.passed(m)
        watched.drop()
        return self._decide(watched, m, "is no longer judged: `when` does not hold")

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: how long a tag stands is counted from its end."""
        watched = self._watched.get(m.tag)
        if watched is not None and usable(m):
            watched.standing.note(m)
            watched.suspend()
        return []

    def tick(self, view: View) -> list[Finding]:
        """A tag sent on change stands while it says nothing."""
        found: list[Finding] = []
        for watched in self._watched.values():
            repeated = watched.standing.repeat(view)
            if repeated is None:
                continue
            m, may = repeated
            if may is Pass.JUDGE:
                found += self._judge(watched, m)
            elif may is Pass.HOLD:
                watched.suspend()
            else:
                watched.drop()
                found += self._decide(watched, m, "is no longer judged: `when` does not hold")
        return found

    def snapshot(self) -> dict[str, Any]:
        """What each tag stands at."""
        return {
            "tags": {
                tag: {"at": [each.value, each.time, each.metre, each.stuck], "standing": each.standing.snapshot()}
                for tag, each in self._watched.items()
            },
            "active": self._active,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        for tag, kept in (state.get("tags") or {}).items():
            watched = self._watched.get(tag)
            if watched is not None:
                watched.value, watched.time, watched.metre, watched.stuck = kept["at"]
                watched.standing.restore(kept.get("standing") or {})
        self._active = bool(state.get("active", False))
