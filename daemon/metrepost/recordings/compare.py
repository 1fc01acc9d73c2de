"""Two rule sets on one recording: alarm by alarm what the second would add and remove, and where (pure)."""

from collections.abc import Mapping

import msgspec

from .rehearsal import AlarmTally, Raised

SAME_TIME = 10.0
"""Seconds between two decisions of an alarm without a metre that are taken for one and the same."""


class AlarmDifference(msgspec.Struct, frozen=True):
    """One alarm under both rule sets: how often it was raised, and the raisings that only one of them has."""

    alarm: str
    before: int
    after: int
    same: int
    added: list[Raised]
    removed: list[Raised]


def compare(before: Mapping[str, AlarmTally], after: Mapping[str, AlarmTally]) -> list[AlarmDifference]:
    """Every alarm that either raised, by name. Raisings are one when their pieces of cable touch within both uncertainties."""
    found = []
    for alarm in sorted({*before, *after}):
        old = before[alarm].raised if alarm in before else []
        new = after[alarm].raised if alarm in after else []
        left = list(old)
        added = []
        for one in new:
            match = next((other for other in left if _same(one, other)), None)
            if match is None:
                added.append(one)
            else:
                left.remove(match)
        found.append(AlarmDifference(alarm, len(old), len(new), len(new) - len(added), added, left))
    return found


def _same(first: Raised, second: Raised) -> bool:
    if first.metre is None or second.metre is None:
        return first.metre == second.metre and abs(first.decided - second.decided) <= SAME_TIME
    room = first.uncertainty + second.uncertainty
    low, high = _piece(first, first.metre)
    other_low, other_high = _piece(second, second.metre)
    return low <= other_high + room and other_low <= high + room


def _piece(one: Raised, metre: float) -> tuple[float, float]:
    low = metre if one.start is None else min(one.start, metre)
    return low, metre if one.end is None else max(one.end, metre)
