"""Who gets which message, decided from alarm events alone. Pure: `now` is given, messages are returned.

Charter. What a person believes about an alarm is kept beside what is true of it, and the two are brought together with as few
messages as possible:

- *raised* is told at once; *returned* is told when the alarm has stayed normal for `QUIET` seconds, so that a chattering alarm
  gives one message and not two a second; raises held back are counted in the next message, and told after `window` at the
  latest.
- a flaw that is over as soon as it is told (raised and returned in one) has no *returned* message.
- once somebody has acknowledged an alarm nobody is told more of it until it is raised anew.
- trial, shelved, suppressed and out-of-service alarms tell nobody; an alarm that comes out of one of these states and is raised
  again is told at once, whatever was told of it before.
- a flood is counted per person, for a flood of process alarms must not silence the one who gets only product alarms. Raises
  held back as chatter do not count towards it.
"""

from collections import deque
from datetime import tzinfo
from typing import Literal

import msgspec

from ..events import AlarmEvent, Event, Priority
from . import text
from .plan import PRIORITIES, NotifyPlan, Person

QUIET = 60.0
"""Seconds. A raise this soon after the last return is chatter (EEMUA 191 counts repeats within one minute; from memory)."""

TOP = 5
"""Alarms named in a flood message."""

Kind = Literal["raised", "returned", "flood", "flood over"]

_RELEASES = frozenset({"unshelved", "unsuppressed", "in_service"})
_LEAVES = frozenset({"returned", "latched"})
_SILENCES = frozenset({"acknowledged", "shelved", "suppressed", "out_of_service", "reset", "cleared"})


class Message(msgspec.Struct, frozen=True):
    """One message for one person. `alarm` is "" for floods; `time` is when it was decided (line time, seconds)."""

    person: str
    kind: Kind
    priority: Priority
    title: str
    body: str
    time: float
    alarm: str = ""


class _Belief(msgspec.Struct):
    """What one person believes about one alarm, and what is true of it."""

    event: AlarmEvent
    onset: float
    told: bool = False  # they believe it active
    told_at: float = 0.0
    active: bool = False
    answered: bool = False  # acknowledged, shelved, …: no more messages until it is raised anew
    repeats: int = 0
    quiet_from: float | None = None  # returned then, not told yet
    raised_at: float = 0.0
    pulse: bool = False


class _Flood(msgspec.Struct):
    began: float
    count: int


class _Desk:
    """One person's messages."""

    def __init__(self, person: Person, plan: NotifyPlan, source: str, zone: tzinfo | None) -> None:
        self._person = person
        self._plan = plan
        self._source = source
        self._zone = zone
        self._beliefs: dict[str, _Belief] = {}
        self._raises: deque[tuple[float, AlarmEvent]] = deque()
        self._flood: _Flood | None = None

    def hear(self, onset: float, event: AlarmEvent, now: float) -> list[Message]:
        out = self.pass_time(now)
        known = self._beliefs.get(event.alarm)
        if event.transition == "raised":
            if event.state == "unacknowledged":
                out += self._raised(onset, event, known, now)
        elif event.transition in _RELEASES:
            self._beliefs.pop(event.alarm, None)
        elif known is None:
            pass
        elif event.transition in _LEAVES:
            self._returned(event, known, now)
        elif event.transition in _SILENCES:
            known.answered = True
            known.told = False
            known.repeats = 0
            if event.transition in ("reset", "cleared") or not known.active:
                del self._beliefs[event.alarm]
        return out

    def pass_time(self, now: float) -> list[Message]:
        out: list[Message] = []
        for alarm, belief in list(self._beliefs.items()):
            if belief.quiet_from is not None and now - belief.quiet_from >= QUIET:
                out += self._over(belief, now)
                del self._beliefs[alarm]
            elif self._due(belief, now):
                out += self._tell_raised(belief, now)
        out += self._flood_over(now)
        return out

    # ---- one alarm -----------------------------------------------------------------------------------------------------

    def _raised(self, onset: float, event: AlarmEvent, known: _Belief | None, now: float) -> list[Message]:
        if known is None:
            belief = self._beliefs[event.alarm] = _Belief(event, onset, active=True, raised_at=now)
            return self._count_raise(belief, now)
        known.event = event
        known.active = True
        known.raised_at = now
        known.quiet_from = None
        if known.answered:
            # somebody is on it; should it stay this time, pass_time tells
            known.answered = False
            known.onset = onset
            known.told_at = now
        known.repeats += 1
        return []

    def _returned(self, event: AlarmEvent, known: _Belief, now: float) -> None:
        known.active = False
        known.quiet_from = now
        known.pulse = bool(event.decided) and event.decided == known.event.decided
        known.event = msgspec.structs.replace(
            known.event,
            state=event.state,
            value=event.value,
            metre=event.metre if event.metre is not None else known.event.metre,
        )

    def _over(self, belief: _Belief, now: float) -> list[Message]:
        news = (belief.told or belief.repeats) and not belief.answered
        if not news or self._silent(belief.event) or (belief.pulse and not belief.repeats):
            return []
        over = belief.quiet_from if belief.quiet_from is not None else now
        body = text.returned_body(
            belief.event, over, belief.onset, self._source, self._station(belief.event), belief.repeats, self._zone
        )
        return [self._message("returned", belief.event, text.returned_title(belief.event, self._source), body, now)]

    def _tell_raised(self, belief: _Belief, now: float) -> list[Message]:
        repeats, belief.repeats = belief.repeats, 0
        belief.told_at = now
        if self._silent(belief.event):
            return []
        belief.told = True
        body = text.raised_body(belief.event, belief.onset, self._source, self._station(belief.event), repeats, self._zone)
        return [self._message("raised", belief.event, text.raised_title(belief.event, self._source), body, now)]

    def _due(self, belief: _Belief, now: float) -> bool:
        """Whether raises that were held back must be told now."""
        if belief.repeats and now - belief.told_at >= self._plan.window:
            return True
        # raised anew after an acknowledgement, too soon to tell it from chatter, and it stayed
        unknown = belief.active and not belief.told and not belief.answered
        return unknown and not self._silent(belief.event) and now - belief.raised_at >= QUIET

    # ---- floods --------------------------------------------------------------------------------------------------------

    def _silent(self, event: AlarmEvent) -> bool:
        return self._flood is not None and event.priority != "critical"

    def _count_raise(self, belief: _Belief, now: float) -> list[Message]:
        self._raises.append((now, belief.event))
        self._forget(now)
        if self._flood is not None:
            self._flood.count += 1
            return self._tell_raised(belief, now)
        if len(self._raises) <= self._plan.flood:
            return self._tell_raised(belief, now)
        critical = self._tell_raised(belief, now) if belief.event.priority == "critical" else []
        count = len(self._raises)
        self._flood = _Flood(began=self._raises[0][0], count=count)
        body = text.flood_body(count, self._plan.window, self._raises[0][1].alarm, self._top(), self._source)
        worst = max((event.priority for _, event in self._raises), key=PRIORITIES.index)
        return [*critical, Message(self._person.name, "flood", worst, text.flood_title(count, self._source), body, now)]

    def _flood_over(self, now: float) -> list[Message]:
        self._forget(now)
        # over when fewer than half are left in the window (ISA-TR18.2.5 has 10 in, 5 out; from memory)
        if self._flood is None or 2 * len(self._raises) >= self._plan.flood:
            return []
        flood, self._flood = self._flood, None
        still: list[AlarmEvent] = []
        for alarm, belief in list(self._beliefs.items()):
            if belief.active and not belief.answered:
                still.append(belief.event)
                belief.told, belief.told_at = True, now
            elif belief.quiet_from is not None:
                # not in the list of those that are still there: that tells it
                del self._beliefs[alarm]
        still.sort(key=lambda event: -PRIORITIES.index(event.priority))
        body = text.flood_over_body(flood.count, flood.began, still, self._source, self._zone)
        title = text.flood_over_title(flood.count, self._source)
        return [Message(self._person.name, "flood over", "low", title, body, now)]

    def _forget(self, now: float) -> None:
        while self._raises and now - self._raises[0][0] >= self._plan.window:
            self._raises.popleft()

    def _top(self) -> list[tuple[AlarmEvent, int]]:
        last: dict[str, AlarmEvent] = {}
        times: dict[str, int] = {}
        for _, event in self._raises:
            last[event.alarm] = event
            times[event.alarm] = times.get(event.alarm, 0) + 1
        order = sorted(last, key=lambda alarm: (-PRIORITIES.index(last[alarm].priority), -times[alarm]))
        return [(last[alarm], times[alarm]) for alarm in order[:TOP]]

    # ---- words ---------------------------------------------------------------------------------------------------------

    def _station(self, event: AlarmEvent) -> str:
        return self._plan.stations.get(event.rule, "")

    def _message(self, kind: Kind, event: AlarmEvent, title: str, body: str, now: float) -> Message:
        return Message(self._person.name, kind, event.priority, title, body, now, event.alarm)


class Decider:
    """Turns alarm events into messages for the people of a plan.

    `source` is the CloudEvents source of the line; `zone` is the zone of the clock times in the texts (None: the machine's).
    """

    def __init__(self, plan: NotifyPlan, source: str, zone: tzinfo | None = None) -> None:
        self._desks = [(person, _Desk(person, plan, source, zone)) for person in plan.people]

    def hear(self, event: Event, now: float) -> list[Message]:
        """Take the next event, in order. Everything but alarm transitions is passed over. `now` is line time in seconds."""
        data = event.data
        if not isinstance(data, AlarmEvent) or data.trial:
            return []
        return [
            message
            for person, desk in self._desks
            if person.wants(data.class_, data.priority)
            for message in desk.hear(event.time, data, now)
        ]

    def tick(self, now: float) -> list[Message]:
        """Line time went on: returns that stayed, repeats that are due, floods that are over. Once a second is plenty."""
        return [message for _, desk in self._desks for message in desk.pass_time(now)]
