"""Suppression by design: which active alarms explain another one (`because_of`)."""

from collections.abc import Iterable, Mapping

from .record import AlarmPlan, Record
from .states import ANNUNCIATED


class UnknownCauseError(ValueError):
    """`because_of` names something that is neither an alarm nor a rule of this line. Carries `alarm` and `cause`."""

    def __init__(self, alarm: str, cause: str, known: Iterable[str]) -> None:
        self.alarm = alarm
        self.cause = cause
        super().__init__(
            f"alarm {alarm!r}: because_of names {cause!r}, which is no alarm of this line; known are {', '.join(sorted(known))}"
        )


class Explanations:
    """Who explains whom, worked out once; the answers come from the present records.

    A cause explains while its own condition is active *and* people know of it: it is annunciated, or itself suppressed by a cause
    for which that holds. A cause that is shelved, out of service or on trial explains nothing, since nobody would then be told
    of either (a missing witness never hides a flaw). A circle of causes explains nothing unless one of them is annunciated.
    """

    def __init__(self, plans: Mapping[str, AlarmPlan]) -> None:
        """Raise UnknownCauseError for a name in `because_of` that is neither an alarm nor a rule among `plans`."""
        self._causes: dict[str, tuple[str, ...]] = {}
        self._effects: dict[str, list[str]] = {}
        self._plans = plans
        for plan in plans.values():
            causes = dict.fromkeys(cause for name in plan.because_of for cause in self._named(name, plan))
            causes.pop(plan.alarm, None)  # nothing explains itself
            self._causes[plan.alarm] = tuple(causes)
            for cause in causes:
                self._effects.setdefault(cause, []).append(plan.alarm)

    def _named(self, name: str, plan: AlarmPlan) -> list[str]:
        if name in self._plans:
            return [name]
        found = [other.alarm for other in self._plans.values() if other.rule == name]
        if not found:
            raise UnknownCauseError(plan.alarm, name, self._plans)
        return found

    def affected(self, alarm: str) -> list[str]:
        """Every alarm that `alarm` may explain, directly or through others, in a fixed order."""
        found: dict[str, None] = {}
        waiting = [alarm]
        while waiting:
            for effect in self._effects.get(waiting.pop(0), ()):
                if effect not in found:
                    found[effect] = None
                    waiting.append(effect)
        found.pop(alarm, None)
        return list(found)

    def explaining(self, alarm: str, records: Mapping[str, Record]) -> tuple[str, ...]:
        """The causes that explain `alarm` now, () when it must be raised."""
        return tuple(cause for cause in self._causes[alarm] if self._explains(cause, records, {alarm}))

    def _explains(self, cause: str, records: Mapping[str, Record], seen: set[str]) -> bool:
        if cause in seen or self._plans[cause].trial:
            return False
        record = records[cause]
        if not record.live:
            return False
        if record.state.name in ANNUNCIATED:
            return True
        if record.state.name != "suppressed_by_design":
            return False
        return any(self._explains(further, records, seen | {cause}) for further in self._causes[cause])
