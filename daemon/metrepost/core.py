"""The functional core: one ordered list of readings, ticks and acts in; what is to be told out.

No clock, socket or file. Live running, rehearsal and tests feed the same core and get the same answer. The order of arrival counts.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import msgspec

from . import of_rules
from .alarms.load import AlarmLoad, LoadMeter
from .alarms.machine import AlarmBook, Refused
from .events import (
    AlarmEvent,
    AlarmState,
    ClockEvent,
    CounterEvent,
    CutEvent,
    EndpointEvent,
    Event,
    EventData,
    LineEvent,
    NoteEvent,
    ReclassifiedEvent,
    ReelState,
    Rollup,
    RollupOut,
    SampleEvent,
    StretchEvent,
)
from .line import builtin
from .line.axis import LengthAxis
from .line.computed import ComputedTag
from .line.gaps import GapWatch
from .line.pieces import Placer
from .line.plan import LinePlan, Product, Registration
from .line.reels import ReelBook
from .line.state import Happening, LineState, ProductInMake, State
from .line.stretches import gap_for, stretch_for
from .readings import BAD, UNCERTAIN, Act, Input, Measured, Reading, Tick
from .readings.moment import rfc3339
from .rollups.buckets import RollupBook
from .rules.contract import Condition, Told, WetStation
from .rules.engine import Engine, Found, RunningRule
from .rules.standing import DOWNTIME

Output = Measured | Event | AlarmState | RollupOut | ReelState | AlarmLoad | Refused

REEL_EVERY = 10.0
"""Seconds between two summaries of the reel in make."""
LOAD_EVERY = 60.0
"""Seconds between two alarm-load figures."""
FARTHEST = 1e9
"""Metres. A length counter that shows more is no length counter; a float64 register can show 1e300."""
FORESEEN = 7 * 86_400.0
"""Seconds. When a metre is wound later than this nobody can say."""


class _Wet(msgspec.Struct):
    carried_by: str
    since: float


class Core:
    """One line. `feed(item)` returns everything that item caused, in order.

    The core is its own `View` for the rules (see `rules.contract.View`).
    """

    def __init__(
        self,
        plan: LinePlan,
        engine: Engine,
        alarms: AlarmBook,
        rollups: RollupBook,
        load: LoadMeter,
        *,
        held: Collection[str] = (),
    ) -> None:
        """`held` names tags that are reported on change: their silence is no gap, and they stand for a computed value."""
        self.plan = plan
        self._engine = engine
        self.alarms = alarms
        self._rollups = rollups
        self._load = load
        self.axis = LengthAxis(plan.axis) if plan.axis is not None else None
        self._reference = plan.axis.reference if plan.axis is not None else 0.0
        self._placer = Placer(plan.tags, plan.stations, self.axis)
        self._line = LineState(plan.state)
        self._product = ProductInMake(plan.product)
        registration = plan.axis.registration if plan.axis is not None else None
        self._reels = (
            ReelBook(plan.take_up, self._reference, registration)
            if plan.take_up is not None and registration is not None
            else None
        )
        self._computed: dict[str, list[ComputedTag]] = {}
        for item in plan.computed:
            made = ComputedTag(item, plan.tags, plan.stations, registration or Registration(), held)
            for tag in dict.fromkeys(item.of):
                self._computed.setdefault(tag, []).append(made)
        rules = [running.rule for running in engine.rules]
        self._stations = of_rules.stations(plan, rules)
        alarms.where = self._in_front_of
        self._last: dict[str, Measured] = {}
        self._now = 0.0
        self._watched = 0.0  # line time of the last tick, before a restart too
        self._wet: dict[str, _Wet] = {}
        self._shrink = of_rules.paired_gauges(plan, rules)
        self._hot_of = {(cold.partition(".")[0], hot): learner for (cold, hot), learner in self._shrink.items()}
        self._cut_value: float | None = None
        self._cut_unplaced: Measured | None = None
        self._next_reel = 0.0
        self._next_load = 0.0
        self._looked_at = of_rules.looked_at(plan, rules)
        polled = of_rules.polled(plan, rules, held) if self.axis is not None else {}
        self._gaps = GapWatch(polled, of_rules.baselines(plan, rules))
        self._undecided_before: dict[str, float] = {}
        self.unknown_tags = 0
        self.late_inputs = 0

    # ---- view (what rules may ask) ---------------------------------------------------------------------------------------

    @property
    def now(self) -> float:
        """Line time, seconds."""
        return self._now

    @property
    def speed(self) -> float:
        """Line speed, m/s."""
        return self.axis.present_speed if self.axis is not None else 0.0

    @property
    def state(self) -> State:
        """Line state at the die."""
        return self._line.state

    def metre_now(self, station: str) -> float:
        """Cable metre in front of a station now."""
        if self.axis is None or not self.axis.ready:
            return 0.0
        return self.axis.place(self._now).length + self._reference - self.plan.stations[station].position

    def state_at(self, metre: float) -> State:
        """Line state in which that metre was at the die."""
        return self._line.state_at(metre) if self.axis is not None else self._line.state

    def product_at(self, metre: float) -> Product:
        """Product of that metre."""
        return self._product.product_at(metre)

    def last(self, tag: str) -> Measured | None:
        """The last reading of a tag."""
        return self._last.get(tag)

    def broken_between(self, first: float, second: float) -> bool:
        """Whether the length axis broke between two moments."""
        return self.axis is not None and self.axis.broken_between(first, second)

    def active(self, alarm: str) -> bool:
        """Whether an alarm is active."""
        return self.alarms.is_active(alarm)

    def reel_at(self, metre: float) -> str:
        """The reel on which that metre is expected."""
        return self._reels.expected_reel(metre) if self._reels is not None else ""

    @property
    def rules(self) -> Sequence[RunningRule]:
        """The running rules."""
        return self._engine.rules

    @property
    def product(self) -> Product:
        """The product at the die."""
        return self._product.product

    @property
    def die_metre_now(self) -> float:
        """The cable metre at the die now."""
        return self._die_metre(self._now)

    def take_up_metre(self) -> float | None:
        """The metre that is wound on now, None without length axis or take-up."""
        if self._reels is None or self.axis is None or not self.axis.ready:
            return None
        return self._reels.metre_at_take_up(self.axis.place(self._now).length, self._accumulator())

    def takes_up_at(self, metre: float | None) -> str:
        """When a metre reaches the take-up at the present speed ("" when it is there, the line stands, or it is over a week)."""
        wound = self.take_up_metre()
        if metre is None or wound is None or metre <= wound or self.speed < self.plan.state.standstill:
            return ""
        wait = (metre - wound) / self.speed
        return rfc3339(self._now + wait) if wait < FORESEEN else ""

    # ---- input -----------------------------------------------------------------------------------------------------------

    def feed(self, item: Input) -> list[Output]:
        """Take one input; everything it caused, in order."""
        out: list[Output] = []
        if item.time - self._watched > DOWNTIME:
            if self._watched:
                self._engine.unwatched()
            self._watched = item.time
        if type(item) is Reading:
            self._reading(item, out)
        elif type(item) is Tick:
            self._tick(item, out)
        elif isinstance(item, Act):
            self._act(item, out)
        return out

    def _reading(self, reading: Reading, out: list[Output]) -> None:
        tag = self.plan.tags.get(reading.tag)
        if tag is None:
            self.unknown_tags += 1
            return
        self._now = max(self._now, reading.time)
        axis = self.axis
        if reading.quality is not BAD and not self._believable(reading):
            reason = "range" if math.isfinite(reading.value) else "not a number"
            reading = msgspec.structs.replace(reading, value=math.nan, quality=BAD, reason=reason)
        if axis is not None and reading.quality is not BAD:
            plan = axis.plan
            if reading.tag == plan.speed:
                axis.speed(reading)
                self._state_changed(reading.time, out)
            elif reading.tag == plan.counter:
                self._counter(reading, out)
        m = self._placer.place(reading)
        if m.quality is not BAD:
            self._line_tags(m, out)
        self._measured(m, out)

    def _believable(self, reading: Reading) -> bool:
        """Whether a value is a finite number, and a length counter's is a length: all places are reckoned from it."""
        if self.axis is not None and reading.tag == self.axis.plan.counter:
            return abs(reading.value * self.axis.plan.counter_to_m) <= FARTHEST
        return math.isfinite(reading.value)

    def _counter(self, reading: Reading, out: list[Output]) -> None:
        assert self.axis is not None
        stood = self.axis.standing
        for told in self.axis.counter(reading):
            self._event(reading.time, told, out)
            if told.what == "discontinuity" or (
                told.what == "restart" and self.axis.broken_between(reading.time, reading.time)
            ):
                self._built_in(builtin.COUNTER_JUMPED, True, reading.time, told.explanation, out, pulse=True, metre=told.metre)
            if told.what == "restart":
                self._missed(told, reading.time, out)
        if self.axis.standing != stood:
            why = "speed and counter disagree" if self.axis.standing else "the counter moves again"
            self._built_in(builtin.COUNTER_STANDS, self.axis.standing, reading.time, why, out)
        if not self.axis.plan.speed:
            self._state_changed(reading.time, out)
        if (cut := self._cut_unplaced) is not None and self.axis.ready:
            self._cut_unplaced = None
            self._cut_read(cut, out)
        if self._reels is not None and self._reels.opened != self._reels.opened and self._accumulator_known():
            metre = self.take_up_metre()
            if metre is not None:
                self._reels.start(metre)

    def _missed(self, told: CounterEvent, time: float, out: list[Output]) -> None:
        """After a restart, what passed each station unseen is a gap: never a quiet stretch. It begins where the journal stops to
        know what became of the cable, and ends where the station is read again.
        """
        before, self._undecided_before = self._undecided_before, {}
        if told.metre is None:
            return
        polled = set(self._gaps.stations)
        for station in self._looked_at:
            end = told.metre + self._reference - self.plan.stations[station].position
            start = min(end - max(told.bridged, 0.0), before.get(station, end))
            if station in polled:
                self._gaps.begin(station, time, start, end, "the daemon was down")
            elif end > start:
                why = f"{station} was not watched from metre {start:.1f} to {end:.1f}: the daemon was down"
                self._event(self._now, gap_for(station, self._now, start, end, why), out)

    def _line_tags(self, m: Measured, out: list[Output]) -> None:
        state, take_up, product = self.plan.state, self.plan.take_up, self.plan.product
        if m.tag == state.threading:
            self._state_changed(m.time, out, threading=m.value != 0)
        elif m.tag == state.emergency_stop:
            self._state_changed(m.time, out, emergency=m.value != 0)
        elif product.recipe and m.tag == product.recipe:
            self._recipe(m, out)
        if take_up is None or self._reels is None:
            return
        if m.tag == take_up.reel:
            self._reels.reel_name(f"{m.value:g}")
        if m.tag == take_up.cut:
            self._cut_read(m, out)

    def _cut_read(self, m: Measured, out: list[Output]) -> None:
        """A change of the cut tag is a cut. After a restart it may come before the counter says where: then it waits."""
        cut = self._cut_value is not None and self._cut_value != m.value
        if cut and (self.axis is None or not self.axis.ready):
            self._cut_unplaced = m
            return
        self._cut_value = m.value
        if cut:
            self._cut(m, out)

    def _die_metre(self, time: float) -> float:
        if self.axis is None or not self.axis.ready:
            return 0.0
        return self.axis.place(time).length + self._reference

    def _state_changed(
        self, time: float, out: list[Output], *, threading: bool | None = None, emergency: bool | None = None
    ) -> None:
        if self.axis is None or not self.axis.ready:
            return
        before, known = self._line.state, self._line.known
        die = self._die_metre(time)
        happened = self._line.update(time, die, self.speed, threading=threading, emergency=emergency)
        if self._line.state != before or not known:
            self._line_event(time, die, before, out)
        self._mark(happened, time, die, out)

    def _line_event(self, time: float, die: float, before: str, out: list[Output]) -> None:
        data = LineEvent(
            metre=die, state=self._line.state, previous=before, product=self._product.product.name, decided=rfc3339(self._now)
        )
        self._event(time, data, out)

    def _mark(self, happened: Sequence[Happening], time: float, die: float, out: list[Output], by: str = "") -> None:
        for cause in happened:
            doubt = self.axis.place(time).uncertainty if self.axis is not None else 0.0
            stretch = stretch_for(cause, self.plan.stretches, time, die, doubt)
            if stretch is not None:
                self._event(time, msgspec.structs.replace(stretch, by=by), out)

    def _recipe(self, m: Measured, out: list[Output]) -> None:
        unknown = self._product.unknown_value
        die = self._die_metre(m.time)
        if self._product.recipe(m.value, die):
            self._line_event(m.time, die, self._line.state, out)
            self._mark(("product_change",), m.time, die, out)
        if (self._product.unknown_value is None) != (unknown is None):
            bad = self._product.unknown_value is not None
            why = f"the recipe tag says {m.value:g}; declared are {', '.join(self.plan.product.products)}"
            self._built_in(builtin.RECIPE_UNKNOWN, bad, m.time, why if bad else "the recipe is known again", out)

    def _accumulator(self) -> float:
        take_up = self.plan.take_up
        if take_up is None or not take_up.accumulator:
            return 0.0
        last = self._last.get(take_up.accumulator)
        return last.value * take_up.accumulator_to_m if last is not None and last.quality is not BAD else 0.0

    def _accumulator_known(self) -> bool:
        """Without it the metre at the take-up would be wrong by what the accumulator holds."""
        take_up = self.plan.take_up
        return take_up is None or not take_up.accumulator or take_up.accumulator in self._last

    def _cut(self, m: Measured, out: list[Output]) -> None:
        if self._reels is None or self.axis is None or not self.axis.ready:
            return
        place = self.axis.place(m.time)
        event, record = self._reels.cut(m.time, place.length, self._accumulator(), place.speed, place.uncertainty)
        self._event(m.time, event, out)
        out.append(ReelState("last", msgspec.structs.replace(record, product=self.product_at(record.start).name)))
        out.extend(self._rollups.cut(event.metre or 0.0, event.reel, m.time))
        self._next_reel = 0.0

    # ---- readings on the cable -------------------------------------------------------------------------------------------

    def _measured(self, m: Measured, out: list[Output]) -> None:
        if self._wet:
            m = self._wetted(m)
        tag = m.tag
        for (cold, hot), learner in self._shrink.items():
            if tag == hot:
                learner.hot(m)
            elif tag == cold:
                learner.cold(m, wet=cold.partition(".")[0] in self._wet)
        self._last[tag] = m
        if self.axis is not None and self.axis.ready:
            self._gaps.reading(m)
        out.append(m)
        for found in self._engine.reading(m, self):
            self._found(found, out)
        computed = self._computed.get(tag)
        rolled = self._rollups.keeps(tag)
        if computed is None and not rolled:
            return
        product = self._product.product_at(m.metre)
        if rolled:
            out.extend(self._rollups.reading(m, product.name))
        if computed is not None:
            for each in computed:
                made = each.reading(m, product)
                if made is not None:
                    self._measured(made, out)

    def _wetted(self, m: Measured) -> Measured:
        """A wet station's readings are uncertain; where the hot gauge carries them, its value stands in."""
        station, _, name = m.tag.partition(".")
        wet = self._wet.get(station)
        if wet is None or m.quality is BAD or m.metre < wet.since:
            return m
        learner = self._hot_of.get((station, f"{wet.carried_by}.{name}"))
        carried = learner.carried(m) if learner is not None else None
        if carried is not None:
            return carried
        return msgspec.structs.replace(m, quality=UNCERTAIN, reason="wet")

    def _found(self, found: Found, out: list[Output]) -> None:
        finding = found.finding
        if isinstance(finding, Condition):
            self._condition(found.rule, finding, out)
        elif isinstance(finding, Told):
            self._event(finding.time, finding.data, out, heard=False)
        elif isinstance(finding, WetStation):
            if finding.wet:
                self._wet[finding.station] = _Wet(finding.carried_by, finding.metre)
            else:
                self._wet.pop(finding.station, None)

    def _condition(self, rule: str, condition: Condition, out: list[Output]) -> None:
        metre = self._in_front_of(rule)
        if metre is None:
            metre = condition.end if condition.end is not None else condition.metre
        told = self.alarms.condition(
            rule,
            self._engine.explained(rule, condition, self),
            now=self._now,
            metre_now=metre,
            expected_reel=self.reel_at(condition.metre) if condition.metre is not None else "",
            takes_up_at=self.takes_up_at(condition.metre),
        )
        self._alarms_told(told, out)

    def _in_front_of(self, rule: str) -> float | None:
        """The metre in front of a rule's station now; None without length axis, or for a rule without a station of its own."""
        station = self._stations.get(rule)
        return self.metre_now(station) if station is not None and self.axis is not None and self.axis.ready else None

    def _alarms_told(self, told: Sequence[Event | AlarmState | Refused], out: list[Output]) -> None:
        for item in told:
            out.append(item)
            if isinstance(item, Event) and isinstance(item.data, AlarmEvent):
                self._load.note(item.data, self._now)

    def _built_in(
        self,
        which: builtin.BuiltIn,
        active: bool,
        time: float,
        why: str,
        out: list[Output],
        *,
        pulse: bool = False,
        metre: float | None = None,
    ) -> None:
        condition = Condition(limit=which.limit, active=active, onset_time=time, explanation=why, pulse=pulse, metre=metre)
        self._condition(which.rule, condition, out)

    def _event(self, time: float, data: EventData, out: list[Output], *, heard: bool = True) -> None:
        out.append(Event(time, data))
        if self._reels is not None:
            if isinstance(data, ReclassifiedEvent):
                self._reels.reclassify(data)
            else:
                self._reels.note(data)
        if heard:
            for found in self._engine.heard(data, self):
                self._found(found, out)

    # ---- time and people -------------------------------------------------------------------------------------------------

    def _tick(self, tick: Tick, out: list[Output]) -> None:
        if tick.time < self._now:
            self.late_inputs += 1
        self._now = max(self._now, tick.time)
        self._watched = tick.time
        for found in self._engine.tick(self):
            self._found(found, out)
        for began, gap in self._gaps.tick(self._now):
            self._event(began, gap, out)
        self._alarms_told(self.alarms.tick(self._now), out)
        out.extend(self._rollups.tick(self._now, self.metre_now if self.axis is not None and self.axis.ready else None))
        out.extend(self._load.tick(self._now))
        if self._now >= self._next_load:
            self._next_load = self._now + LOAD_EVERY
            out.append(self._load.figures(self._now))
        if self._reels is not None and self._now >= self._next_reel:
            metre = self.take_up_metre()
            if metre is not None:
                self._next_reel = self._now + REEL_EVERY
                record = self._reels.current(metre)
                out.append(ReelState("current", msgspec.structs.replace(record, product=self.product_at(metre).name)))

    def _act(self, act: Act, out: list[Output]) -> None:
        self._now = max(self._now, act.time)
        match act.act:
            case "endpoint_up" | "endpoint_down":
                up = act.act == "endpoint_up"
                data = EndpointEvent(endpoint=act.endpoint, up=up, reason=act.reason, decided=rfc3339(self._now))
                self._event(act.time, data, out)
                lost = builtin.endpoint_lost(act.endpoint)
                # the last word of an endpoint that a reload took out may come after its alarm went
                if self.alarms.knows(f"{lost.rule}.{lost.limit}"):
                    self._built_in(lost, not up, act.time, act.reason, out)
            case "clock_step":
                why = f"the wall clock was stepped by {act.amount:+.3f} s; line time goes on and is drawn towards it slowly"
                self._event(act.time, ClockEvent(step=act.amount, decided=rfc3339(self._now), explanation=why), out)
            case "splice":
                die = self._die_metre(act.time) if act.metre is None else act.metre
                self._mark(("splice",), act.time, die, out, by=act.who)
            case "note":
                data_note = NoteEvent(text=act.text, by=act.who, metre=act.metre, decided=rfc3339(self._now))
                self._event(act.time, data_note, out)
            case "scrap" if act.start is not None and act.end is not None:
                scrap = StretchEvent(
                    mark="scrap",
                    cause="operator",
                    by=act.who,
                    metre=act.start,
                    start=min(act.start, act.end),
                    end=max(act.start, act.end),
                    decided=rfc3339(self._now),
                    explanation=act.text or f"scrapped by {act.who or 'somebody'}",
                )
                self._event(act.time, scrap, out)
            case "sample" if act.value is not None:
                metre = act.metre if act.metre is not None else self.take_up_metre()
                sample = SampleEvent(
                    what=act.text,
                    value=act.value,
                    unit=act.unit,
                    metre=metre,
                    reel=act.reason or (self.reel_at(metre) if metre is not None else ""),
                    by=act.who,
                    decided=rfc3339(self._now),
                )
                self._event(act.time, sample, out)
            case "scrap" | "sample":
                out.append(Refused(act.act, act.alarm, "scrap needs start and end, sample needs a value"))
            case "drop_seen":
                for found in self._engine.act(act, self):
                    self._found(found, out)
            case _:
                self._alarms_told(self.alarms.act(act), out)

    # ---- restart ---------------------------------------------------------------------------------------------------------

    def place(self) -> dict[str, Any]:
        """The small part of `snapshot` that says where the line stands: cheap enough to be kept with every event."""
        return {
            "time": self._now,
            "axis": self.axis.snapshot() if self.axis is not None else {},
            "line": self._line.snapshot() if self._line.known else None,
            "product": self._product.snapshot(),
            "cut": self._cut_value,
            "wet": {station: [wet.carried_by, wet.since] for station, wet in self._wet.items()},
            "undecided": self._undecided(),
        }

    def _undecided(self) -> dict[str, float]:
        """Station: the metre from which on what was seen is not told yet. A kill loses it, and it becomes part of the gap."""
        out = {
            station: min(metre, self._undecided_before.get(station, metre)) for station, metre in self._gaps.under_way().items()
        }
        for station, metre in (*self._undecided_before.items(), *self._engine.undecided().items()):
            out[station] = min(metre, out.get(station, metre))
        return out

    def told(self) -> dict[str, Any]:
        """Of each rule that told something since `kept`: the state that must be committed with it. For `restore`."""
        return self._engine.told()

    def kept(self) -> None:
        """What `told` gave, or a whole snapshot, is committed."""
        self._engine.kept()

    def snapshot(self) -> dict[str, Any]:
        """All state as plain data, so that a restart goes on where it was."""
        return {
            "format": 1,
            **self.place(),
            "reels": self._reels.snapshot() if self._reels is not None else None,
            "rules": self._engine.snapshot(),
            "rollups": self._rollups.snapshot(),
            "load": self._load.snapshot(),
            "shrink": {f"{cold} {hot}": s.snapshot() for (cold, hot), s in self._shrink.items()},
        }

    def replay(self, data: EventData | Rollup, time: float) -> list[RollupOut]:
        """An event or rollup of this line that the journal holds and the snapshot does not: for reel record, alarm load and
        rollups. Replay rollups first. Nothing is told again, and no rule hears of it; what a cut still owes is returned.
        """
        if isinstance(data, Rollup):
            self._rollups.replay(data, time)
            return []
        if self._reels is not None:
            self._reels.replay(data)
        if isinstance(data, AlarmEvent):
            self._load.note(data, time)
        if isinstance(data, CutEvent) and data.metre is not None:
            return self._rollups.cut(data.metre, data.reel, time)
        return []

    def take_over(self, before: "Core", anew: Collection[str], same: Collection[str]) -> tuple[list[Output], list[str]]:
        """Go on from the core of the files as they were, between two inputs.

        Rules in `same` are the very objects that ran before; those in `anew` begin anew; the others, and whatever else changed,
        go on as after a restart. What is the same goes on as if nothing had happened. Returns what is to be told, and in words
        what could not be kept.
        """
        state = before.snapshot()
        state["rules"] = {name: saved for name, saved in state["rules"].items() if name not in anew and name not in same}
        trouble = self.restore(state)
        if before.axis is not None and before.plan.axis == self.plan.axis:
            self.axis = before.axis
            self._placer = Placer(self.plan.tags, self.plan.stations, self.axis)
            if before.plan.take_up == self.plan.take_up:
                self._reels = before._reels
        self._placer.take_over(before._placer)
        if before.plan.state == self.plan.state:
            self._line = before._line
        if before.plan.product == self.plan.product:
            self._product = before._product
        if (before.plan.tags, before.plan.stations, before.plan.product) == (
            self.plan.tags,
            self.plan.stations,
            self.plan.product,
        ):
            made = {tag.tag: tag for tags in before._computed.values() for tag in tags}
            self._computed = {
                name: [made[t.tag] if t.tag in made and made[t.tag].same_as(t) else t for t in tags]
                for name, tags in self._computed.items()
            }
            self._shrink = {pair: before._shrink.get(pair, learner) for pair, learner in self._shrink.items()}
            self._hot_of = {(cold.partition(".")[0], hot): learner for (cold, hot), learner in self._shrink.items()}
            if before.plan.rollups == self.plan.rollups:
                self._rollups = before._rollups
                trouble = [words for words in trouble if not words.startswith("rollups")]
        judged_wet = {
            wet.station
            for running in self._engine.rules
            if running.rule.name not in anew and (wet := getattr(running.rule.settings, "wet", None)) is not None
        }
        self._wet = {station: wet for station, wet in before._wet.items() if station in judged_wet}
        tags = self.plan.tags
        self._last = {tag: m for tag, m in before._last.items() if tags.get(tag) == before.plan.tags[tag]}
        self._load = before._load
        self._gaps.take_over(before._gaps)
        self._undecided_before = before._undecided_before
        self._cut_unplaced = before._cut_unplaced
        self._now, self._next_load, self._next_reel = before._now, before._next_load, before._next_reel
        self._watched = before._watched
        self.unknown_tags, self.late_inputs = before.unknown_tags, before.late_inputs
        out: list[Output] = []
        self._alarms_told(self.alarms.take_over(before.alarms, anew, self._now), out)
        return out, trouble

    def restore(
        self, state: Mapping[str, Any], place: Mapping[str, Any] | None = None, told: Mapping[str, Any] | None = None
    ) -> list[str]:
        """Take back a snapshot, and what was kept later: `place`, and the states that rules `told`. Returns, in words, what could
        not be used.
        """
        trouble: list[str] = []
        where = place or state
        self._undecided_before = dict(where.get("undecided") or {})
        if self.axis is not None:
            self.axis.restore(where.get("axis") or {})
        if where.get("line"):
            self._line.restore(where["line"])
        if where.get("product"):
            self._product.restore(where["product"])
        self._cut_value = where.get("cut")
        self._watched = state.get("time", 0.0)  # of the rules: a later `place` has seen no readings
        if self._reels is not None and state.get("reels"):
            self._reels.restore(state["reels"])
        trouble.extend(f"rule {name} starts anew" for name in self._engine.restore(state.get("rules") or {}))
        trouble.extend(f"rule {name} may tell again what it told" for name in self._engine.restore(told or {}))
        if state.get("rollups"):
            trouble.extend(f"rollups of {tag} begin anew" for tag in self._rollups.restore(state["rollups"]))
        if state.get("load") and not self._load.restore(state["load"]):
            trouble.append("alarm load is counted anew")
        self._wet = {
            s: _Wet(carried_by, since) for s, (carried_by, since) in (where.get("wet", state.get("wet")) or {}).items()
        }
        for (cold, hot), learner in self._shrink.items():
            saved = (state.get("shrink") or {}).get(f"{cold} {hot}")
            if saved:
                learner.restore(saved)
        return trouble
