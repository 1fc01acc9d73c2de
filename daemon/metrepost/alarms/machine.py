"""All alarms of a line. Callers send conditions, acts and ticks, and get back what is to be told; they never poke states.

Every annunciation, the first as well as a repeated one, is told by the transition ``raised``: whoever alerts people or counts
alarms looks at that word alone. What follows what stands in `states.TABLE`.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import msgspec

from ..events import AlarmState, Event
from ..readings import Act
from ..rules.contract import Condition
from . import record as kept
from .explains import Explanations
from .record import AlarmPlan, AnyState, Record
from .states import Input, Move, Refusal, cell
from .telling import Decision, present, transition

MAX_SHELVED = 8 * 3600.0
"""Longest shelving in seconds unless set otherwise: one shift (common practice, no source)."""

ACTS = {
    "acknowledge": Input.ACKNOWLEDGE,
    "reset": Input.RESET,
    "shelve": Input.SHELVE,
    "unshelve": Input.UNSHELVE,
    "out_of_service": Input.OUT_OF_SERVICE,
    "in_service": Input.IN_SERVICE,
}
"""Acts on alarms, by the word in `Act.act`."""


class Refused(msgspec.Struct, frozen=True):
    """An act that was not done. `why` says what is wrong and what to do."""

    act: str
    alarm: str
    why: str


class Restored(msgspec.Struct, frozen=True):
    """What `restore` could not use: `dropped` alarms no longer exist (clear their retained topics); `unreadable` ones exist, but
    their saved state did not fit and they start normal."""

    dropped: list[str]
    unreadable: list[str]


class UnknownAlarmError(KeyError):
    """A condition of a limit that is not among the plans: a mistake in the program, not in the field."""

    def __init__(self, alarm: str) -> None:
        self.alarm = alarm
        super().__init__(f"no alarm {alarm!r} among the plans of this line")


Told = Event | AlarmState
"""What the book tells: transitions for the event stream, and present states, whole, for the retained topics."""


class AlarmBook:
    """The alarms of one line, by id ``<rule>.<limit>``.

    `max_shelved` (seconds) bounds shelving. Raises ValueError for two plans of one id, UnknownCauseError for a `because_of`
    that names nothing.
    """

    def __init__(self, plans: Iterable[AlarmPlan], *, max_shelved: float = MAX_SHELVED) -> None:
        self._plans: dict[str, AlarmPlan] = {}
        for plan in plans:
            if plan.alarm in self._plans:
                raise ValueError(f"alarm {plan.alarm!r} stands twice among the plans; each limit of a rule is one alarm")
            self._plans[plan.alarm] = plan
        self._explanations = Explanations(self._plans)
        self._records = {alarm: Record() for alarm in self._plans}
        self.where: Callable[[str], float | None] = lambda rule: None
        """The cable metre in front of a rule's station now: where acts and what follows from other alarms are decided."""
        self._max_shelved = max_shelved
        self._next_expiry = math.inf
        self._unsettled = False
        self._first_out: dict[str, str] = {}  # group: the alarm that was raised first, until all of the group is normal
        self._groups: dict[str, list[str]] = {}
        for plan in self._plans.values():
            if plan.group:
                self._groups.setdefault(plan.group, []).append(plan.alarm)

    # ---- what comes in -------------------------------------------------------------------------------------------------

    def condition(
        self,
        rule: str,
        c: Condition,
        *,
        now: float,
        metre_now: float | None,
        expected_reel: str = "",
        takes_up_at: str = "",
    ) -> list[Told]:
        """A rule says that a limit's condition is active or has returned.

        A pulse is both in one: `raised` then `returned`. While the condition is active already, a pulse is another flaw under
        the same alarm and is raised again without returning; a second steady `active` only refreshes the values shown, not the onset.
        `metre_now` is the cable metre in front of the rule's station at the decision. Raises UnknownAlarmError.
        """
        alarm = f"{rule}.{c.limit}"
        if alarm not in self._plans:
            raise UnknownAlarmError(alarm)
        out: list[Told] = []
        before = self._records[alarm]
        was_live = before.live
        if c.active or c.pulse:  # a return does not hide where the flaw was
            shown = c
            if was_live and not c.pulse and before.last is not None:  # it goes on: it began where it began
                shown = msgspec.structs.replace(c, onset_time=before.last.onset_time, metre=before.last.metre)
            self._put(alarm, msgspec.structs.replace(before, last=shown, expected_reel=expected_reel, takes_up_at=takes_up_at))
        decision = Decision(now, c.onset_time, metre_of=alarm, metre=metre_now, condition=c)
        if c.active or c.pulse:
            self._live(alarm, live=True)
            if c.pulse or not was_live:
                self._feed(alarm, self._activation(alarm), decision, out)
        if not c.active or (c.pulse and not was_live):
            self._live(alarm, live=False)
            if was_live or c.pulse:
                self._feed(alarm, Input.RETURNED, decision, out)
                self._end_one_shot(alarm, decision, out)
        self._settle(self._explanations.affected(alarm), decision, out)
        if self._records[alarm] != before:
            self._tell_state(alarm, out)
        return out

    def act(self, act: Act) -> list[Told | Refused]:
        """Somebody acts on an alarm. An act that cannot be done is a `Refused` in the list, never an exception.

        ``shelve`` with `until` 0 is one-shot: until the condition next returns, at most `max_shelved` (OPC 10000-9, 5.8.17).
        """
        given = ACTS.get(act.act)
        if given is None:
            return [Refused(act.act, act.alarm, f"no act on alarms; acts are {', '.join(ACTS)}")]
        if act.alarm not in self._plans:
            return [
                Refused(act.act, act.alarm, f"no alarm of this name; alarms are {', '.join(sorted(self._plans)) or 'none'}")
            ]
        found = cell(self._records[act.alarm].state.name, given, latch=self._plans[act.alarm].latch)
        if isinstance(found, Refusal):
            return [Refused(act.act, act.alarm, found.why)]
        until, one_shot = act.until, False
        if given is Input.SHELVE:
            if until == 0.0:
                until, one_shot = act.time + self._max_shelved, True
            why = self._shelving_fault(act.time, until)
            if why:
                return [Refused(act.act, act.alarm, why)]
        decision = Decision(act.time, act.time, act.who, act.reason, until, one_shot)
        out: list[Told] = []
        self._feed(act.alarm, given, decision, out)
        self._settle(self._explanations.affected(act.alarm), decision, out)
        self._tell_state(act.alarm, out)
        return list(out)

    def tick(self, now: float) -> list[Told]:
        """Line time went on: shelving that is over ends; suppression is looked at again after a restart."""
        out: list[Told] = []
        decision = Decision(now, now, reason="shelving expired")
        if now >= self._next_expiry:
            for alarm, record in list(self._records.items()):
                if isinstance(record.state, kept.Shelved) and now >= record.state.until:
                    self._feed(alarm, Input.EXPIRED, decision, out)
                    self._settle(self._explanations.affected(alarm), decision, out)
                    self._tell_state(alarm, out)
            self._note_expiry()
        if self._unsettled:
            self._unsettled = False
            self._settle(list(self._plans), decision, out)
        return out

    # ---- what can be asked ---------------------------------------------------------------------------------------------

    def knows(self, alarm: str) -> bool:
        """Whether an alarm is among the plans."""
        return alarm in self._plans

    def is_active(self, alarm: str) -> bool:
        """Whether the alarm's condition is active, shown or not. False for a name that is not known."""
        record = self._records.get(alarm)
        return record is not None and record.live

    def active(self) -> list[str]:
        """Alarms whose condition is active, in the order of the plans."""
        return [alarm for alarm, record in self._records.items() if record.live]

    def state(self, alarm: str) -> AlarmState:
        """The present state of one alarm, whole. Raises UnknownAlarmError."""
        if alarm not in self._plans:
            raise UnknownAlarmError(alarm)
        return self._state(alarm)

    def states(self) -> list[AlarmState]:
        """The present state of every alarm, whole, in the order of the plans."""
        return [self._state(alarm) for alarm in self._plans]

    def snapshot(self) -> dict[str, Any]:
        """All states as JSON-able data."""
        return {
            "format": 1,
            "alarms": {alarm: kept.to_plain(record) for alarm, record in self._records.items()},
            "first_out": dict(self._first_out),
        }

    def restore(self, state: Mapping[str, Any]) -> Restored:
        """Take back a snapshot. Alarms that are new start normal; see `Restored` for what could not be used."""
        dropped: list[str] = []
        unreadable: list[str] = []
        for alarm, data in state.get("alarms", {}).items():
            if alarm not in self._plans:
                dropped.append(alarm)
                continue
            try:
                self._put(alarm, kept.from_plain(data))
            except msgspec.ValidationError:
                unreadable.append(alarm)
        self._first_out = {
            group: alarm for group, alarm in state.get("first_out", {}).items() if alarm in self._groups.get(group, ())
        }
        self._note_expiry()
        self._unsettled = True
        return Restored(dropped, unreadable)

    def take_over(self, before: "AlarmBook", begun_anew: Iterable[str], now: float) -> list[Told]:
        """Go on from the book of the files as they were. Alarms of rules in `begun_anew`, and those that are gone, end: whoever
        was told of one is told that it is ``cleared``. What people decided (shelved, out of service) stays while the alarm exists.
        """
        anew = frozenset(begun_anew)
        out: list[Told] = []
        for alarm, record in before._records.items():
            plan = before._plans[alarm]
            here = self._plans.get(alarm)
            if here is not None and plan.rule not in anew:
                self._put(alarm, record)
                if here != plan:
                    self._tell_state(alarm, out)
                continue
            why = "the rule was taken out" if here is None else "the rule was changed, and judges anew"
            if here is not None and isinstance(record.state, kept.Shelved | kept.OutOfService):
                self._put(alarm, msgspec.structs.replace(record, live=False))
            elif record.state.name != "normal":
                ended = msgspec.structs.replace(record, state=kept.Normal(now), live=False)
                decision = Decision(now, now, by="reload", reason=why)
                out.append(transition(plan, ended, record.state.name, "cleared", decision, ()))
            if here is not None:
                self._tell_state(alarm, out)
        out.extend(self._state(alarm) for alarm in self._plans if alarm not in before._plans)
        self._first_out = {group: a for group, a in before._first_out.items() if a in self._groups.get(group, ())}
        self._note_expiry()
        self._unsettled = True
        return out

    # ---- inside --------------------------------------------------------------------------------------------------------

    def _put(self, alarm: str, record: Record) -> None:
        self._records[alarm] = record

    def _live(self, alarm: str, *, live: bool) -> None:
        self._put(alarm, msgspec.structs.replace(self._records[alarm], live=live))

    def _activation(self, alarm: str) -> Input:
        """An active condition as input: explained by a cause, or not. Only an alarm in `normal` can be hidden by it."""
        explained = self._records[alarm].state.name == "normal" and self._explanations.explaining(alarm, self._records)
        return Input.SUPPRESS if explained else Input.ACTIVE

    def _feed(self, alarm: str, given: Input, decision: Decision, out: list[Told]) -> None:
        """Walk one cell of the table; refusals and stays of conditions tell nothing."""
        record = self._records[alarm]
        move = cell(record.state.name, given, latch=self._plans[alarm].latch)
        if not isinstance(move, Move):
            return
        because = self._explanations.explaining(alarm, self._records) if move.to == "suppressed_by_design" else ()
        entered = _enter(move, record.state, decision, because)
        self._put(alarm, msgspec.structs.replace(record, state=entered))
        if move.to == "shelved":
            self._note_expiry()
        first = self._note_group(alarm, raised=move.transition == "raised")
        now = self._records[alarm]
        if decision.metre_of != alarm:
            decision = msgspec.structs.replace(decision, metre=self.where(self._plans[alarm].rule))
        out.append(transition(self._plans[alarm], now, record.state.name, move.transition, decision, because, first_out=first))
        if move.rejoin and record.live:
            onset = record.last.onset_time if record.last else decision.now
            self._feed(alarm, self._activation(alarm), msgspec.structs.replace(_bare(decision), onset=onset), out)

    def _end_one_shot(self, alarm: str, decision: Decision, out: list[Told]) -> None:
        state = self._records[alarm].state
        if isinstance(state, kept.Shelved) and state.one_shot:
            ended = msgspec.structs.replace(decision, reason="one-shot shelving: the condition returned")
            self._feed(alarm, Input.EXPIRED, ended, out)

    def _settle(self, alarms: Iterable[str], decision: Decision, out: list[Told]) -> None:
        """Whoever is suppressed and no longer explained comes out. Effects follow their causes in `alarms`."""
        for alarm in alarms:
            if self._records[alarm].state.name != "suppressed_by_design":
                continue
            if self._explanations.explaining(alarm, self._records):
                continue
            over = msgspec.structs.replace(_bare(decision), reason="what explained it is over")
            self._feed(alarm, Input.UNSUPPRESS, over, out)
            self._tell_state(alarm, out)

    def _shelving_fault(self, now: float, until: float) -> str:
        if not until > now:
            return "the end of the shelving is not in the future; give `until` as line time, or 0 for one-shot"
        if until - now > self._max_shelved:
            return f"shelving for {until - now:.0f} s is longer than allowed; the longest is {self._max_shelved:.0f} s"
        return ""

    def _note_expiry(self) -> None:
        shelved = (r.state.until for r in self._records.values() if isinstance(r.state, kept.Shelved))
        self._next_expiry = min(shelved, default=math.inf)

    def _note_group(self, alarm: str, *, raised: bool) -> bool:
        """Whether this alarm is the first-out of its group: raised while all of it was normal, and marked until all is again."""
        group = self._plans[alarm].group
        if not group:
            return False
        if raised:
            self._first_out.setdefault(group, alarm)
        first = self._first_out.get(group) == alarm
        if all(self._records[other].state.name == "normal" for other in self._groups[group]):
            self._first_out.pop(group, None)
        return first

    def _is_first_out(self, alarm: str) -> bool:
        return self._first_out.get(self._plans[alarm].group) == alarm

    def _tell_state(self, alarm: str, out: list[Told]) -> None:
        out.append(self._state(alarm))

    def _state(self, alarm: str) -> AlarmState:
        return present(self._plans[alarm], self._records[alarm], first_out=self._is_first_out(alarm))


def _bare(decision: Decision) -> Decision:
    """The moment and place of a decision, for what follows from it."""
    return Decision(decision.now, metre_of=decision.metre_of, metre=decision.metre)


def _enter(move: Move, before: AnyState, decision: Decision, because: tuple[str, ...]) -> AnyState:
    """The state that `move` leads to, with the data that this state owns."""
    now, who = decision.now, decision.by
    match move.to:
        case "normal":
            return kept.Normal(now)
        case "unacknowledged":
            return kept.Unacknowledged(now)
        case "acknowledged":
            return kept.Acknowledged(now, who)
        case "returned_unacknowledged":
            return kept.ReturnedUnacknowledged(now)
        case "latched_unacknowledged":
            return kept.LatchedUnacknowledged(now)
        case "latched_acknowledged":
            # coming from C the acknowledgement was given before the return, and is kept
            return kept.LatchedAcknowledged(now, before.by if isinstance(before, kept.Acknowledged) else who)
        case "shelved":
            return kept.Shelved(now, decision.until, decision.one_shot, decision.reason, who)
        case "suppressed_by_design":
            return kept.SuppressedByDesign(now, because)
        case "out_of_service":
            return kept.OutOfService(now, decision.reason, who)
