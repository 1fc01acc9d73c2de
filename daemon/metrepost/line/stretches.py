"""Stretches: pieces of cable that a happening at the die spoils (scrap, suspect)."""

from collections.abc import Mapping

from ..events import StretchEvent
from ..readings.moment import rfc3339
from .plan import StretchPlan

WORDS = {
    "stop": "the line stopped",
    "emergency_stop": "emergency stop",
    "start": "the line started",
    "product_change": "the product changed at the die",
    "splice": "a splice was declared",
}


def stretch_for(
    cause: str, plans: Mapping[str, StretchPlan], time: float, die_metre: float, uncertainty: float
) -> StretchEvent | None:
    """The stretch that `cause` marks round the metre at the die, or None when the line file declares none for it."""
    plan = plans.get(cause)
    if plan is None:
        return None
    return StretchEvent(
        mark=plan.mark,
        cause=cause,
        metre=die_metre,
        metre_uncertainty=uncertainty,
        start=die_metre - plan.before,
        end=die_metre + plan.after,
        decided=rfc3339(time),
        explanation=f"{WORDS.get(cause, cause)} at metre {die_metre:.1f}: {plan.before:g} m before and {plan.after:g} m after",
    )


def gap_for(station: str, time: float, start: float, end: float | None, why: str) -> StretchEvent:
    """A piece that a station did not look at: a gap in observation is never a quiet stretch. `end` is None while it goes on."""
    return StretchEvent(
        mark="gap",
        cause="outage",
        station=station,
        metre=start,
        start=start,
        end=end,
        open=end is None,
        decided=rfc3339(time),
        explanation=why,
    )
