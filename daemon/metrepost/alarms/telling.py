"""How a transition and a present state are told: events and whole states from plan, record and the circumstances."""

import msgspec

from ..events import SEVERITY, AlarmEvent, AlarmState, Event, StateName, Transition
from ..readings.moment import rfc3339
from ..rules.contract import Condition
from .record import Acknowledged, AlarmPlan, LatchedAcknowledged, Record, Shelved

_NOTHING = Condition(limit="", active=False, onset_time=0.0)


class Decision(msgspec.Struct, frozen=True):
    """The circumstances of one decision, the same for every alarm it moves; but `metre` is that of `metre_of`, and each other
    alarm has its own."""

    now: float
    onset: float | None = None
    by: str = ""
    reason: str = ""
    until: float = 0.0
    one_shot: bool = False
    metre_of: str = ""
    metre: float | None = None
    condition: Condition | None = None


def transition(
    plan: AlarmPlan,
    record: Record,
    previous: StateName,
    word: Transition,
    decision: Decision,
    because: tuple[str, ...],
    *,
    first_out: bool = False,
) -> Event:
    """The event of a transition `word` out of `previous` into the state of `record`; `because` names what suppresses it."""
    c = decision.condition or record.last or _NOTHING
    # an act, an expiry or a rejoin stands for the moment of the decision; a condition for the moment it began
    onset = decision.now if decision.onset is None else decision.onset
    event = AlarmEvent(
        alarm=plan.alarm,
        rule=plan.rule,
        limit=plan.limit,
        class_=plan.class_,
        priority=plan.priority,
        severity=SEVERITY[plan.priority],
        transition=word,
        state=record.state.name,
        previous=previous,
        trial=plan.trial,
        onset=rfc3339(onset),
        decided=rfc3339(decision.now),
        decided_metre=decision.metre,
        metre=c.metre,
        metre_uncertainty=c.metre_uncertainty,
        start=c.start,
        end=c.end,
        peak=c.peak,
        value=c.value,
        bound=c.bound,
        unit=c.unit,
        quality=c.quality,
        by=decision.by,
        reason=decision.reason or (f"explained by {', '.join(because)}" if because else ""),
        cause=plan.cause,
        consequence=plan.consequence,
        response=plan.response,
        respond_within=plan.respond_within,
        explanation=c.explanation,
        because_of=list(because),
        expected_reel=record.expected_reel,
        takes_up_at=record.takes_up_at,
        verdict=c.verdict,
        first_out=first_out,
        data=c.data,
    )
    return Event(onset, event)


def present(plan: AlarmPlan, record: Record, *, first_out: bool = False) -> AlarmState:
    """The present state, whole: the retained payload."""
    state, c = record.state, record.last or _NOTHING
    return AlarmState(
        alarm=plan.alarm,
        rule=plan.rule,
        limit=plan.limit,
        class_=plan.class_,
        priority=plan.priority,
        severity=SEVERITY[plan.priority],
        state=state.name,
        active=record.live,
        since=rfc3339(state.since) if state.since else "",
        acknowledged_by=state.by if isinstance(state, Acknowledged | LatchedAcknowledged) else "",
        shelved_until=rfc3339(state.until) if isinstance(state, Shelved) else "",
        trial=plan.trial,
        value=c.value,
        bound=c.bound,
        unit=c.unit,
        metre=c.metre,
        takes_up_at=record.takes_up_at,
        cause=plan.cause,
        consequence=plan.consequence,
        response=plan.response,
        explanation=c.explanation,
        first_out=first_out,
    )
