"""`count`: too many of something per length, time or reel: spark faults of a counter tag, or flaws and drops another rule told.

A limit is exceeded by more than `limit` (exclusive) within the last `per`; the alarm returns when the count has fallen to half the
limit, so that one fault on the border does not chatter. Clusters are an alarm of their own, with a limit and a shorter length.
"""

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

import msgspec
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, WithJsonSchema

from ..events import DropEvent, EventData, FlawEvent, SparkEvent, StretchEvent
from ..readings import BAD, Measured, Tag
from ..readings.moment import rfc3339
from ..readings.units import Extent, LengthOrDuration, same_dimension
from .contract import Condition, Finding, LimitText, Rule, Site, Told, View, WetStation
from .gate import Gate, Pass, gate
from .looking_up import UNKNOWN, find_tag, positive_extent, usable
from .one_limit import OneLimit
from .tally import Tally

_STRICT = ConfigDict(strict=True, extra="forbid", frozen=True)
_REEL = "reel"
_Per = Annotated[
    Any,
    BeforeValidator(lambda value: value if value == _REEL else Extent.parse(value)),
    PlainSerializer(str),
    WithJsonSchema({"type": "string", "examples": ["100 m", "1 km", "10 min", _REEL]}),
]
"""A length, a time, or the word ``reel``."""


class CountOf(BaseModel):
    """Counts what a flaw rule told, by verdict (``any``: all of them)."""

    model_config = _STRICT
    flaw: str
    verdict: Literal["drop", "lump", "neck", "unwitnessed", "any"] = "any"


class Cluster(LimitText):
    """More than `limit` within a shorter piece: limit name ``cluster``."""

    limit: Annotated[int, Field(ge=0)]
    within: LengthOrDuration


class Wet(BaseModel):
    """While the count is over, `station` is wet and `carried_by` carries its product alarms."""

    model_config = _STRICT
    station: str
    carried_by: str


class CountSettings(OneLimit):
    """Keys of `count`: `reads` a counter tag, or `counts` what a flaw rule tells. `tells = "spark"` locates every increment."""

    kind: Literal["count"]
    reads: str | None = None
    counts: CountOf | None = None
    limit: Annotated[int, Field(ge=0)]
    per: _Per
    cluster: Cluster | None = None
    wet: Wet | None = None
    tells: Literal["spark"] | None = None

    def tags(self) -> tuple[str, ...]:
        """The counter, if it counts one."""
        return (self.reads,) if self.reads is not None else ()

    def limits(self) -> dict[str, LimitText]:
        """``over``, and ``cluster`` where one is set."""
        return {"over": self.text()} | ({"cluster": self.cluster} if self.cluster is not None else {})

    def build(self, name: str, site: Site) -> "Count":
        """Refuses both or neither of `reads` and `counts`, windows of 0, and stations that do not exist."""
        if (self.reads is None) == (self.counts is None):
            site.fail("", "counts either a counter tag or the flaws of a rule", ("reads", "counts"))
        if self.per != _REEL:
            positive_extent(site, "per", self.per)
        elif not site.has_axis:
            site.fail("per", "the line has no [length] table, so nothing is known by reel; write a time such as 10 min")
        if self.cluster is not None:
            positive_extent(site, "cluster.within", self.cluster.within)
            if self.per != _REEL and _longer(self.cluster.within, self.per):
                site.fail("cluster.within", f"{self.cluster.within} is not shorter than per {self.per}")
        if self.tells is not None and self.reads is None:
            site.fail("tells", "spark events are told of a counter tag; give reads")
        if self.counts is not None and (self.when is not None or self.when_now is not None):
            site.fail("when", "stands in the flaw rule whose flaws are counted; leave it out here")
        if self.counts is not None and self.blind is not None:
            site.fail("blind", "watches readings, and flaws bring none; write it in the flaw rule")
        for key in ("station", "carried_by") if self.wet is not None else ():
            if (station := getattr(self.wet, key)) not in site.stations:
                site.fail(f"wet.{key}", f"there is no station {station!r}", sorted(site.stations))
        if self.wet is not None and self.wet.station == self.wet.carried_by:
            site.fail("wet.carried_by", "a wet station cannot carry its own alarms; name the gauge upstream of the water")
        if self.wet is not None and self.per == _REEL:
            site.fail("wet", "needs a length or a time in per, so that the station can become dry again within the reel")
        tag = find_tag(site, self.reads) if self.reads is not None else None
        if tag is not None and tag.unit != UNKNOWN and not any(same_dimension(tag.unit, unit) for unit in ("", "count")):
            site.fail("reads", f"{tag.name} is in {tag.unit}, and a counter is a plain number or in count")
        station = tag.station if tag is not None else self.wet.station if self.wet is not None else ""
        known = site.stations.get(station)
        aperture = known.aperture if known is not None else 0.0
        return Count(name, self, tag, station, aperture, gate(self, site), has_axis=site.has_axis)


def _longer(inner: Extent, outer: Extent) -> bool:
    """Whether `inner` is as long as `outer` or longer, where they can be compared."""
    if inner.is_length != outer.is_length:
        return False
    return inner.metres >= outer.metres if inner.is_length else inner.seconds >= outer.seconds


class _Counter:
    """One limit: how many, within what, and whether that is too many."""

    __slots__ = ("active", "by_length", "count", "limit", "name", "reel", "tally", "words")

    def __init__(self, name: str, limit: int, per: Extent | None) -> None:
        self.name = name
        self.limit = limit
        self.words = str(per) if per is not None else "reel"
        self.by_length = per is None or per.is_length
        self.tally = Tally((per.metres if per.is_length else per.seconds) or 1.0) if per is not None else None
        self.active = False
        self.count = 0
        self.reel = ""

    @property
    def first_metre(self) -> float | None:
        """Metre of the oldest thing still counted, where that is known."""
        return self.tally.first if self.tally is not None and self.by_length else None

    def position(self, time: float, metre: float) -> float:
        return metre if self.by_length else time

    def add(self, count: int, time: float, metre: float) -> None:
        if self.tally is None:
            self.count += count
        else:
            self.tally.add(self.position(time, metre), count)
            self.count = self.tally.total

    def move(self, time: float, metre: float, reel: str) -> None:
        if self.tally is not None:
            self.tally.move(self.position(time, metre))
            self.count = self.tally.total
        elif reel != self.reel:
            if self.reel and reel:
                self.count = 0
            self.reel = reel or self.reel

    def changed(self) -> bool:
        """Whether the limit's condition became true or false."""
        if self.active:
            self.active = not 2 * self.count <= self.limit
            return not self.active
        self.active = self.count > self.limit
        return self.active

    def snapshot(self) -> dict[str, Any]:
        tally = self.tally.snapshot() if self.tally is not None else None
        return {"active": self.active, "count": self.count, "reel": self.reel, "tally": tally}

    def restore(self, state: Mapping[str, Any]) -> None:
        self.active = bool(state.get("active", False))
        self.count = int(state.get("count", 0))
        self.reel = str(state.get("reel", ""))
        if self.tally is not None:
            self.tally.restore(state.get("tally") or [])


class _Base(msgspec.Struct):
    """The counter as last read."""

    value: float
    metre: float
    uncertainty: float


class Count(Rule):
    """A running count."""

    def __init__(
        self, name: str, settings: CountSettings, tag: Tag | None, station: str, aperture: float, gated: Gate, *, has_axis: bool
    ) -> None:
        super().__init__(name, settings)
        self._settings = settings
        self._tag = tag
        self._station = station
        self._aperture = aperture
        self._axis = has_axis
        self._base: _Base | None = None
        self.gate: Gate = gated
        self._over = _Counter("over", settings.limit, None if settings.per == _REEL else settings.per)
        self._counters = [self._over]
        if settings.cluster is not None:
            self._counters.append(_Counter("cluster", settings.cluster.limit, settings.cluster.within))
        self._wet_since: float | None = None  # metre
        self._dry_from: float | None = None  # position since which the count has been under half the limit
        if settings.counts is not None:
            drop = settings.counts.verdict in ("drop", "any")
            self.listens = (("drop",) if drop else ()) + (("flaw",) if settings.counts.verdict != "drop" else ())

    # ---- what is counted ---------------------------------------------------------------------------------------------

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading of the counter."""
        return self._counted(m, view, Pass.JUDGE)

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A bad reading is passed over: the next good one counts from the last. Outside `when`, increments are told but not counted."""
        return [] if m.quality is BAD else self._counted(m, view, Pass.SHUT)

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: increments are told but not counted, and the counts stay as they are."""
        return self._counted(m, view, Pass.HOLD)

    def _counted(self, m: Measured, view: View, may: Pass) -> list[Finding]:
        if self._tag is None or m.tag != self._tag.name or not usable(m) or m.value < 0:
            return []
        base, self._base = self._base, _Base(m.value, m.metre, m.uncertainty)
        new = _increment(base.value, m.value) if base is not None else 0
        found: list[Finding] = []
        if new and base is not None and self._settings.tells == "spark":
            found.append(self._spark(new, base, m, view))
        if may is Pass.HOLD:
            return found
        if may is Pass.SHUT:
            return found + self._end(m.time, m.metre, view)
        return found + self._move(new, m.time, m.metre, m.quality.word, view)

    def _spark(self, faults: int, base: _Base, m: Measured, view: View) -> Told:
        half = self._aperture / 2.0
        start, end = min(base.metre, m.metre) - half, max(base.metre, m.metre) + half
        data = SparkEvent(
            metre=(start + end) / 2.0 if self._axis else None,
            metre_uncertainty=max(base.uncertainty, m.uncertainty) if self._axis else None,
            start=start if self._axis else None,
            end=end if self._axis else None,
            station=self._station,
            tag=m.tag,
            faults=faults,
            decided=rfc3339(view.now),
            expected_reel=view.reel_at(m.metre) if self._axis else "",
        )
        return Told(m.time, data)

    def heard(self, event: EventData, view: View) -> list[Finding]:
        """A flaw or drop that a rule told."""
        of = self._settings.counts
        if of is None or not isinstance(event, DropEvent | FlawEvent) or event.rule != of.flaw:
            return []
        if of.verdict != "any" and of.verdict != ("drop" if isinstance(event, DropEvent) else event.verdict):
            return []
        if not self._station:
            self._station = event.station
        places = (event.peak, event.metre, event.start)
        metre = next((place for place in places if place is not None and math.isfinite(place)), view.metre_now(self._station))
        if self.gate.ask(metre, view) is Pass.HOLD:
            return []
        return self._move(1, view.now, metre, "good", view)

    def tick(self, view: View) -> list[Finding]:
        """The window slides while nothing is counted."""
        if not self._station:
            return []
        metre = view.metre_now(self._station)
        may = self.gate.ask(metre, view)
        if may is Pass.HOLD:
            return []
        if may is Pass.SHUT:
            return self._end(view.now, metre, view)
        return self._move(0, view.now, metre, "good", view)

    # ---- what follows ------------------------------------------------------------------------------------------------

    def _move(self, new: int, time: float, metre: float, quality: str, view: View) -> list[Finding]:
        reel = view.reel_at(metre) if self._over.tally is None else ""
        found: list[Finding] = []
        for counter in self._counters:
            counter.move(time, metre, reel)
            if new:
                counter.add(new, time, metre)
            if counter.changed():
                found.append(self._condition(counter, time, metre, quality))
                if counter is self._over and counter.active:
                    found += self._become_wet(metre, view)
        return found + self._become_dry(time, metre, view)

    def _condition(self, counter: _Counter, time: float, metre: float, quality: str) -> Condition:
        what = self._tag.name if self._tag is not None else self._what()
        first = counter.first_metre
        word = "more than" if counter.active else "back from over"
        return Condition(
            limit=counter.name,
            active=counter.active,
            onset_time=time,
            metre=metre if self._axis else None,
            start=(metre if first is None else min(first, metre)) if self._axis else None,
            end=metre if self._axis else None,
            value=float(counter.count),
            bound=float(counter.limit),
            unit="count",
            quality=quality,
            explanation=f"{what}: {counter.count} within {counter.words}, {word} {counter.limit}",
        )

    def _what(self) -> str:
        of = self._settings.counts
        assert of is not None
        return f"flaws of {of.flaw}" if of.verdict == "any" else f"{of.flaw} judged {of.verdict}"

    def _become_wet(self, metre: float, view: View) -> list[Finding]:
        wet = self._settings.wet
        if wet is None or self._wet_since is not None:
            return []
        first = self._over.first_metre
        self._wet_since = metre if first is None else min(first, metre)
        self._dry_from = None
        return [
            WetStation(wet.station, wet.carried_by, True, self._wet_since),
            self._stretch(
                view,
                None,
                f"more than {self._over.limit} within {self._over.words}: {wet.carried_by} carries the product alarms",
            ),
        ]

    def _become_dry(self, time: float, metre: float, view: View) -> list[Finding]:
        wet = self._settings.wet
        if wet is None or self._wet_since is None:
            return []
        x = self._over.position(time, metre)
        if self._over.active or not 2 * self._over.count <= self._over.limit:
            self._dry_from = None
            return []
        if self._dry_from is None:
            self._dry_from = x
        if x - self._dry_from < self._per():
            return []
        told = self._stretch(view, metre, f"no more than half of {self._over.limit} for {self._over.words}: dry again")
        self._wet_since = self._dry_from = None
        return [WetStation(wet.station, wet.carried_by, False, metre), told]

    def _per(self) -> float:
        per = self._settings.per
        assert isinstance(per, Extent)
        return per.metres if per.is_length else per.seconds

    def _stretch(self, view: View, end: float | None, text: str) -> Told:
        assert self._settings.wet is not None
        data = StretchEvent(
            mark="wet",
            cause=self.name,
            station=self._settings.wet.station,
            metre=self._wet_since if self._axis else None,
            start=self._wet_since if self._axis else None,
            end=end if self._axis else None,
            open=end is None,
            decided=rfc3339(view.now),
            explanation=text,
        )
        return Told(view.now, data)

    def _end(self, time: float, metre: float, view: View) -> list[Finding]:
        """`when` does not hold: conditions end, but what was counted on cable that was judged stays counted."""
        reel = view.reel_at(metre) if self._over.tally is None else ""
        found: list[Finding] = []
        for counter in self._counters:
            counter.move(time, metre, reel)
            if counter.active:
                counter.active = False
                found.append(self._condition(counter, time, metre, "good"))
        return found

    def snapshot(self) -> dict[str, Any]:
        """Counter base, counts and wetness."""
        base = self._base
        return {
            "base": [base.value, base.metre, base.uncertainty] if base is not None else None,
            "counters": {counter.name: counter.snapshot() for counter in self._counters},
            "wet_since": self._wet_since,
            "dry_from": self._dry_from,
            "station": self._station,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave. Increments while the daemon was down are then counted, and located by both metres."""
        base = state.get("base")
        self._base = _Base(*base) if base is not None else None
        for counter in self._counters:
            counter.restore((state.get("counters") or {}).get(counter.name) or {})
        self._wet_since = state.get("wet_since")
        self._dry_from = state.get("dry_from")
        self._station = str(state.get("station", self._station))


def _increment(before: float, now: float) -> int:
    """New counts between two reads. A counter that fell to half or less was reset: what it shows was counted since then. One that
    fell less is taken for a slip of the device: a new base, nothing counted."""
    if now >= before:
        return int(now - before)
    return int(now) if 2 * now <= before else 0
