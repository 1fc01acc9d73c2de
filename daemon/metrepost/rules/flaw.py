"""`flaw`: a short excursion over the gauge's own baseline: a lump, a neck, or water.

Without a witness the alarm comes with the first reading over the limit. With one, an excursion short enough to be a drop waits until it
is over (or too long), and is judged by what the witness saw on the same metres (see `witness`).
"""

import math
from collections import deque
from collections.abc import Mapping
from typing import Any, Literal

import msgspec
from pydantic import BaseModel, ConfigDict

from ..events import DropEvent, FlawEvent, Priority, ReclassifiedEvent
from ..line.plan import Registration
from ..readings import BAD, GOOD, Act, Hold, Measured
from ..readings.moment import rfc3339
from ..readings.units import Length, Speed, same_dimension
from .baseline import Baseline
from .contract import Condition, Finding, LimitText, Rule, Site, Tags, Told, View
from .excursion import Excursion, ExcursionTracker
from .level import ABOVE_ZERO, Level, level_of
from .looking_up import usable
from .one_limit import OneLimit
from .recurrence import Period, recurring
from .setpoint import Setpoint
from .witness import Verdict, WitnessTag, holds_lumps, judge

SILENCE = 2.0
"""An excursion whose tags say nothing for this long is judged with what there is, seconds."""

RELEASE = 0.75
"""An excursion goes on down to this share of the height, so that noise on the flank of a flaw does not make two of it."""

MARGIN = 0.02
"""Added to twice the cable that passes between two reads: the least `max_length` a drop can be told from a lump with (metres)."""


class WitnessSettings(BaseModel):
    """Another gauge that looked at the same metres earlier."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    reads: Tags
    max_length: Length
    up_to_speed: Speed | None = None


class FlawSettings(OneLimit):
    """Keys of `kind = "flaw"`."""

    kind: Literal["flaw"] = "flaw"
    reads: Tags
    direction: Literal["lump", "neck"]
    baseline: Length = 5.0
    height: Setpoint
    witness: WitnessSettings | None = None
    priority: Priority = "high"

    def tags(self) -> tuple[str, ...]:
        """Own tags and the witness's."""
        return self.reads + (self.witness.reads if self.witness else ())

    def limits(self) -> dict[str, LimitText]:
        """One: ``lump`` or ``neck``."""
        return {self.direction: self.text()}

    def build(self, name: str, site: Site) -> "FlawRule":
        """Check the settings against the line and make the rule."""
        own = [site.tags[t] for t in self.reads if t in site.tags]
        unit = own[0].unit if own else "mm"
        height = level_of(site, "height", self.height, unit, difference=True, least=ABOVE_ZERO)
        if not self.baseline > 0:
            site.fail("baseline", "must be more than 0", ())
        if not site.has_axis:
            site.fail("", "a flaw is judged by the metre, and this line has no [length]", ())
        if len({t.station for t in own}) > 1:
            site.fail("reads", "the tags of a flaw rule belong to one gauge", ())
        if len({t.unit for t in own}) > 1:
            site.fail("reads", "the tags of a flaw rule have one unit", ())
        wrong_hold = Hold.MIN if self.direction == "lump" else Hold.MAX
        for tag in own:
            if tag.hold is wrong_hold:
                site.fail("reads", f'{tag.name} holds "{tag.hold.value}" and cannot show a {self.direction}', ())
        distance = 0.0
        if self.witness is not None:
            distance = self._check_witness(site, own)
        return FlawRule(name, self, unit=unit, height=height, distance=distance, site=site)

    def _check_witness(self, site: Site, own: list[Any]) -> float:
        witness = self.witness
        assert witness is not None
        seen = [site.tags[t] for t in witness.reads if t in site.tags]
        if self.direction == "neck":
            site.fail("witness", "low excursions are never suppressed: a neck rule has no witness", ())
        for tag in seen:
            if not holds_lumps(tag.hold):
                site.fail("witness.reads", f'{tag.name} holds "{tag.hold.value}" and covers no lumps', ())
            if own and not same_dimension(tag.unit, own[0].unit):
                site.fail("witness.reads", f"{tag.name} is in {tag.unit or '1 (no unit)'}, {own[0].name} in {own[0].unit}", ())
            if own and tag.station == own[0].station:
                site.fail("witness.reads", f"{tag.name} is of the same gauge: a witness is another station", ())
        if not seen or not own:
            return 0.0
        distance = site.stations[own[0].station].position - min(site.stations[t.station].position for t in seen)
        if distance <= 0:
            site.fail("witness.reads", "the witness must stand upstream, so that it has seen the metre before", ())
        interval = max(t.interval for t in own + seen)
        up_to = witness.up_to_speed
        if up_to is None:
            if witness.max_length <= MARGIN:
                site.fail(
                    "witness.max_length", f"{witness.max_length * 1000:g} mm leaves no speed at which drops are told apart", ()
                )
        else:
            least = 2 * up_to * interval + MARGIN
            if witness.max_length < least - 1e-9:
                site.fail(
                    "witness.max_length",
                    f"{witness.max_length * 1000:g} mm is below 2 × up_to_speed × read interval + 20 mm = {least * 1000:.0f} mm: "
                    "raise it, read more often, or lower up_to_speed",
                    (),
                )
        return float(distance)

    def speed_told_apart(self, interval: float) -> float:
        """The speed (m/s) up to which drops can be told from lumps with this read interval (seconds)."""
        if self.witness is None:
            return 0.0
        worked_out = max(0.0, (self.witness.max_length - MARGIN) / (2 * interval)) if interval > 0 else 0.0
        return worked_out if self.witness.up_to_speed is None else min(worked_out, self.witness.up_to_speed)


class _Drop(msgspec.Struct, frozen=True):
    start: float
    end: float
    height: float


class FlawRule(Rule):
    """The running rule."""

    def __init__(self, name: str, settings: FlawSettings, *, unit: str, height: Level, distance: float, site: Site) -> None:
        super().__init__(name, settings)
        self.limit = settings.direction
        self.unit = unit
        self._heights = height
        self.height = height.least()
        self._sign = 1.0 if settings.direction == "lump" else -1.0
        self._registration: Registration = site.registration
        self._distance = distance
        self._own = frozenset(settings.reads)
        self._station = site.tags[settings.reads[0]].station if settings.reads[0] in site.tags else ""
        self._baselines = {tag: Baseline(max(settings.baseline, 0.01)) for tag in settings.reads}
        self._tracker = ExcursionTracker(settings.reads)
        self._witness: dict[str, WitnessTag] = {}
        self._max_length = 0.0
        self._up_to = float("inf")
        if settings.witness is not None:
            reach = distance + 3 * settings.baseline + 10.0
            self._max_length = settings.witness.max_length
            tags = [site.tags[t] for t in (*settings.reads, *settings.witness.reads) if t in site.tags]
            interval = max((t.interval for t in tags), default=0.02)
            self._up_to = settings.speed_told_apart(interval) + 1e-9
            for tag in settings.witness.reads:
                hold = site.tags[tag].hold if tag in site.tags else Hold.INSTANT
                self._witness[tag] = WitnessTag(tag, max(settings.baseline, 0.01), reach, instant=hold is Hold.INSTANT)
        self._drops: deque[_Drop] = deque(maxlen=64)
        self._offsets: deque[float] = deque(maxlen=21)
        self._period: Period | None = None

    # ---- readings

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """Own readings and the witness's. One that cannot be reckoned with is a bad one."""
        if not usable(m):
            return self.pass_over(msgspec.structs.replace(m, value=math.nan, quality=BAD, covered=False), view)
        witness = self._witness.get(m.tag)
        if witness is not None:
            witness.add(m, hold=False)
        return self._own_reading(m, view) if m.tag in self._own else []

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """Bad readings break coverage; readings while `when` is false hold the baseline and end what is under way."""
        if not (math.isfinite(m.metre) and math.isfinite(m.time)):
            return []  # of no piece of cable that is known
        witness = self._witness.get(m.tag)
        if witness is not None:
            witness.add(m, hold=True)
        if m.tag not in self._own:
            return []
        if m.quality is BAD:
            return self._conclude(view) if self._tracker.lost(m) else []
        return self._conclude(view) if self._tracker.open is not None else []

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """`hold_off`: the baselines follow the process, and nothing is told that rises over them."""
        if not usable(m):
            return self.pass_over(msgspec.structs.replace(m, value=math.nan, quality=BAD, covered=False), view)
        witness = self._witness.get(m.tag)
        if witness is not None:
            witness.add(m, hold=False)
        if m.tag in self._own:
            self._baselines[m.tag].add(m.metre, m.value)
        return []

    def _own_reading(self, m: Measured, view: View) -> list[Finding]:
        baseline = self._baselines[m.tag]
        level = baseline.level_at(m.metre)
        baseline.add(m.metre, m.value)
        if level != level:
            level = baseline.level
        rise = self._sign * (m.value - level)
        self._use_height_at(m.metre, view)
        release = RELEASE * self.height if self._tracker.is_over(m.tag) else self.height
        if rise <= release:
            return self._conclude(view) if self._tracker.under(m) else []
        found: list[Finding] = []
        if (e := self._tracker.open) is not None and m.time - e.last_time > SILENCE:
            e.lost = True  # the daemon was down meanwhile: this is another excursion
            found = self._conclude(view)
        # a wet gauge is uncertain, but what an excursion was is the witness's to say
        uncertain = m.quality is not GOOD and not m.reason.startswith("wet")
        excursion = self._tracker.over(m, rise, uncertain=uncertain)
        if excursion.told:
            return found
        if self._witness and excursion.end - excursion.start <= self._max_length:
            return found
        excursion.told = True
        why = (
            f"{rise:.4f} {self.unit} over its baseline of {self.settings_baseline:g} m, limit {self.height:g}"
            if not self._witness
            else f"longer than {self._max_length * 1000:g} mm, so no drop"
        )
        return [*found, self._condition(excursion, active=True, verdict=self.limit, why=why)]

    def _use_height_at(self, metre: float, view: View) -> None:
        """Where the height is the product's: that of the metre, and of a product that is not known the smallest one."""
        if self._heights.products is not None:
            self.height = self._heights.known(view.product_at(metre))

    @property
    def settings_baseline(self) -> float:
        """Length of the baseline, metres."""
        settings = self.settings
        assert isinstance(settings, FlawSettings)
        return settings.baseline

    def tick(self, view: View) -> list[Finding]:
        """An excursion whose tags fell silent is judged with what there is."""
        e = self._tracker.open
        if e is not None and view.now - e.last_time > SILENCE:
            e.lost = True
            return self._conclude(view)
        return []

    # ---- verdicts

    def _conclude(self, view: View) -> list[Finding]:
        e = self._tracker.take()
        if e is None:
            return []
        self._use_height_at(e.peak_metre, view)
        if e.told or not self._witness:
            verdict = Verdict("lump", "longer than a drop can be" if self._witness else "no witness is asked for", {})
            found: list[Finding] = [self._flaw(e, view, verdict)]
            if e.told:
                found.append(self._condition(e, active=False, verdict=self.limit, why="the excursion is over"))
            else:
                found.insert(0, self._condition(e, active=True, verdict=self.limit, why=verdict.why, pulse=True))
            return found
        verdict = self._ask_witness(e, view)
        if verdict.verdict == "drop" and self._on_period(e):
            assert self._period is not None
            verdict = Verdict("lump", f"recurs every {self._period.period:.3f} m, so no water", verdict.data, verdict.trace)
        if verdict.verdict == "lump" and "metre" in verdict.data:
            self._note_offset(e, verdict)
        if verdict.verdict != "drop":
            return [
                self._condition(e, active=True, verdict=verdict.verdict, why=verdict.why, pulse=True, witness=verdict.data),
                self._flaw(e, view, verdict),
            ]
        self._drops.append(_Drop(e.start, e.end, e.peak_rise))
        return [self._drop(e, view, verdict), *self._recurrence(e, view)]

    def _ask_witness(self, e: Excursion, view: View) -> Verdict:
        doubt = ""
        if e.length_high > self._max_length:
            return Verdict(
                "lump",
                f"up to {e.length_high * 1000:.0f} mm long, over {self._max_length * 1000:g} mm: no drop",
                {},
            )
        registration = self._registration.between(self._distance, e.speed)
        window = (e.start - registration, e.end + registration)
        seen = [tag.look(*window) for tag in self._witness.values()]
        fastest = max([e.speed, *(s.speed for s in seen)])
        if fastest > self._up_to:
            doubt = f"{fastest * 60:.0f} m/min is above the {self._up_to * 60:.0f} m/min up to which drops can be told apart"
        elif e.lost:
            doubt = "a reading of the gauge itself was lost there"
        elif e.uncertain:
            doubt = "readings of the gauge itself are uncertain there"
        elif any(s.first_time and view.broken_between(s.first_time, view.now) for s in seen):
            doubt = "the length axis broke between the two gauges"
        return judge(seen, height=self.height, window=window, unit=self.unit, doubt=doubt)

    def _note_offset(self, e: Excursion, verdict: Verdict) -> None:
        """A mark that both gauges saw: how far apart they put it. It is reported, and nothing is corrected by it unasked."""
        self._offsets.append(e.peak_metre - float(verdict.data["metre"]))
        ordered = sorted(self._offsets)
        verdict.data["offset"] = round(self._offsets[-1], 4)
        verdict.data["offset_median"] = round(ordered[len(ordered) // 2], 4)
        verdict.data["offset_marks"] = len(ordered)

    def _on_period(self, e: Excursion) -> bool:
        """Whether a drop lies on a period already told; a period that is missed three times is over."""
        period = self._period
        if period is None:
            return False
        distance = e.peak_metre - period.on_lattice[-1]
        turns = round(distance / period.period)
        if turns > 3:
            self._period = None
            return False
        if turns >= 1 and abs(distance - turns * period.period) <= self._tolerance(e):
            self._period = Period(period.period, (*period.on_lattice[-8:], e.peak_metre), period.chance)
            return True
        return False

    def _tolerance(self, e: Excursion) -> float:
        # both ends of a spacing are read by one gauge: only the piece read and the counter's resolution count
        return max(0.02, e.end - e.start)

    def _recurrence(self, e: Excursion, view: View) -> list[Finding]:
        middles = [0.5 * (d.start + d.end) for d in self._drops]
        period = recurring(middles, self._tolerance(e))
        if period is None:
            return []
        self._period = period
        on = [d for d in self._drops if 0.5 * (d.start + d.end) in period.on_lattice]
        why = (
            f"{len(on)} drops recur every {period.period:.3f} m (random drops would with a chance of {period.chance:.1e}): "
            "taken for lumps born after the hot gauge"
        )
        for drop in on:
            self._drops.remove(drop)
        return self._reclassify(e.onset, on, why, view, period=period.period)

    def act(self, act: Act, view: View) -> list[Finding]:
        """A drop was seen downstream of the capstan, where water is gone: it was a lump."""
        if act.act != "drop_seen" or act.metre is None:
            return []
        doubt = self._registration.between(self._distance, view.speed)
        hit = [d for d in self._drops if d.start - doubt <= act.metre <= d.end + doubt]
        if not hit:
            return []
        for drop in hit:
            self._drops.remove(drop)
        why = f"seen at metre {act.metre:.2f} {act.text or 'downstream of the capstan'}, where water is gone" + (
            f"; said by {act.who}" if act.who else ""
        )
        return self._reclassify(act.time, hit, why, view)

    def _reclassify(self, time: float, drops: list[_Drop], why: str, view: View, period: float | None = None) -> list[Finding]:
        start, end = drops[0].start, drops[-1].end
        self._use_height_at(start, view)
        told = ReclassifiedEvent(
            rule=self.name,
            station=self._station,
            reason="recurring" if period is not None else "seen downstream",
            pieces=[[round(d.start, 4), round(d.end, 4)] for d in drops],
            period=period,
            metre=drops[-1].start,
            start=start,
            end=end,
            decided=rfc3339(view.now),
            explanation=why,
        )
        conditions: list[Finding] = [
            Condition(
                limit=self.limit,
                active=True,
                onset_time=time,
                metre=0.5 * (d.start + d.end),
                start=d.start,
                end=d.end,
                value=d.height,
                bound=self.height,
                unit=self.unit,
                explanation=why,
                verdict="reclassified",
                pulse=True,
            )
            for d in drops
        ]
        return [Told(time, told), *conditions]

    # ---- what is told

    def _condition(
        self, e: Excursion, *, active: bool, verdict: str, why: str, pulse: bool = False, witness: dict[str, Any] | None = None
    ) -> Condition:
        return Condition(
            limit=self.limit,
            active=active,
            onset_time=e.onset,
            metre=e.peak_metre,
            metre_uncertainty=e.uncertainty,
            start=e.start,
            end=e.end,
            peak=e.peak_metre,
            value=e.peak_rise,
            bound=self.height,
            unit=self.unit,
            quality="uncertain" if e.uncertain else "good",
            explanation=why,
            verdict=verdict,
            pulse=pulse,
            data={"witness": witness} if witness else {},
        )

    def _flaw(self, e: Excursion, view: View, verdict: Verdict) -> Told:
        word: Any = "unwitnessed" if verdict.verdict == "unwitnessed" else self.limit
        return Told(
            e.onset,
            FlawEvent(
                rule=self.name,
                station=self._station,
                direction=self.limit,
                verdict=word,
                alarmed=True,
                metre=e.peak_metre,
                metre_uncertainty=e.uncertainty,
                start=e.start,
                end=e.end,
                peak=e.peak_metre,
                height=e.peak_rise,
                limit=self.height,
                unit=self.unit,
                length_low=e.length_low,
                length_high=e.length_high,
                decided=rfc3339(view.now),
                explanation=verdict.why,
                witness=verdict.data or None,
                expected_reel=view.reel_at(e.peak_metre),
            ),
        )

    def _drop(self, e: Excursion, view: View, verdict: Verdict) -> Told:
        return Told(
            e.onset,
            DropEvent(
                rule=self.name,
                station=self._station,
                metre=e.peak_metre,
                metre_uncertainty=e.uncertainty,
                start=e.start,
                end=e.end,
                peak=e.peak_metre,
                height=e.peak_rise,
                limit=self.height,
                unit=self.unit,
                length_low=e.length_low,
                length_high=e.length_high,
                decided=rfc3339(view.now),
                explanation=verdict.why,
                witness=verdict.data,
                trace=e.trace,
                witness_trace=verdict.trace,
                expected_reel=view.reel_at(e.peak_metre),
            ),
        )

    # ---- restart

    def snapshot(self) -> dict[str, Any]:
        """Baselines, the excursion under way, the witness ring, recent drops."""
        return {
            "baselines": {tag: b.snapshot() for tag, b in self._baselines.items()},
            "tracker": self._tracker.snapshot(),
            "witness": {tag: w.snapshot() for tag, w in self._witness.items()},
            "drops": [[d.start, d.end, d.height] for d in self._drops],
            "offsets": list(self._offsets),
            "period": None
            if self._period is None
            else [self._period.period, list(self._period.on_lattice), self._period.chance],
        }

    def told_state(self) -> dict[str, Any]:
        """Without baselines and witness ring: they are large, and ten seconds of them are no loss of what was told."""
        return {name: part for name, part in self.snapshot().items() if name not in ("baselines", "witness")}

    def undecided(self) -> tuple[str, float] | None:
        """The excursion under way."""
        e = self._tracker.open
        return None if e is None else (self._station, e.start)

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot, tag by tag."""
        for tag, saved in state.get("baselines", {}).items():
            if tag in self._baselines:
                self._baselines[tag].restore(saved)
        if "tracker" in state:
            self._tracker.restore(state["tracker"])
        for tag, saved in state.get("witness", {}).items():
            if tag in self._witness:
                self._witness[tag].restore(saved)
        if "drops" in state:
            self._drops.clear()
            self._drops.extend(_Drop(start, end, height) for start, end, height in state["drops"])
        if "offsets" in state:
            self._offsets.clear()
            self._offsets.extend(state["offsets"])
        if "period" in state:
            self._period = None
            if state["period"]:
                period, on, chance = state["period"]
                self._period = Period(period, tuple(on), chance)
