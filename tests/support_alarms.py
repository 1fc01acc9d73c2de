"""Short ways to drive an alarm book in tests."""

from metrepost.alarms import AlarmBook, AlarmPlan, Refused
from metrepost.events import AlarmEvent, AlarmState, Event
from metrepost.readings import Act
from metrepost.rules.contract import Condition

NOON = 1_780_000_000.0
"""Some moment of line time."""


def plan(alarm, **more):
    """The plan of an alarm ``rule.limit``."""
    rule, _, limit = alarm.partition(".")
    return AlarmPlan(alarm=alarm, rule=rule, limit=limit, **{"class_": "product", "priority": "high", **more})


class Desk:
    """A book with a clock that goes on one second at each input; remembers everything told."""

    def __init__(self, *plans, **settings):
        self.book = AlarmBook(plans, **settings)
        self.now = NOON
        self.told = []

    def _tell(self, out):
        self.told += out
        return out

    def set(self, alarm, active=True, pulse=False, **more):
        self.now += 1.0
        rule, _, limit = alarm.partition(".")
        c = Condition(limit=limit, active=active, pulse=pulse, onset_time=self.now - 0.5, **more)
        return self._tell(self.book.condition(rule, c, now=self.now, metre_now=self.now - NOON))

    def clear(self, alarm, **more):
        return self.set(alarm, active=False, **more)

    def act(self, act, alarm, who="kim", **more):
        self.now += 1.0
        return self._tell(self.book.act(Act(act=act, time=self.now, who=who, alarm=alarm, **more)))

    def tick(self, seconds=0.1):
        self.now += seconds
        return self._tell(self.book.tick(self.now))

    def state(self, alarm):
        return self.book.state(alarm).state


def transitions(out):
    """``(alarm, transition, state)`` of every event in `out`."""
    return [(e.data.alarm, e.data.transition, e.data.state) for e in out if isinstance(e, Event)]


def words(out):
    """The transitions alone."""
    return [e.data.transition for e in out if isinstance(e, Event)]


def refused(out):
    """The reason of the one refusal in `out`, "" when there is none."""
    return next((item.why for item in out if isinstance(item, Refused)), "")


def states(out):
    return [item for item in out if isinstance(item, AlarmState)]


def alarm_event(alarm="bore.high", transition="raised", state="unacknowledged", **more):
    """A transition, as a load meter gets it."""
    rule, _, limit = alarm.partition(".")
    fields = {"class_": "product", "priority": "high", "severity": 700, "previous": "normal", **more}
    return AlarmEvent(alarm=alarm, rule=rule, limit=limit, transition=transition, state=state, **fields)
