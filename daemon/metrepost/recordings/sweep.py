"""A setting of a rule tried at several values on one recording: which values, and what each would have told (pure)."""

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from ..readings.units import Quantity, UnitError
from .rehearsal import AlarmTally, Raised

STEPS = 8
"""Values of a range unless it says how many."""
MOST = 200
"""Values at most: each is a rehearsal of the whole recording."""
MEETS = 0.15
"""Metres by which a told piece may lie beside a flaw of the truth and still be about it (registration at usual speeds)."""

_RANGE = re.compile(r"^(.+?)\.\.(.+?)(?:/(\d+))?$")


class SweepError(ValueError):
    """What was given as a sweep cannot be read; the sentence says what is expected."""


class Sweep(msgspec.Struct, frozen=True):
    """`rule` and the path of the key in its table, and the values as a rule file would have them."""

    rule: str
    key: tuple[str, ...]
    values: tuple[str | float | int, ...]

    @property
    def name(self) -> str:
        """``rule.key``, as a person wrote it."""
        return ".".join((self.rule, *self.key))

    def overrides(self, value: str | float | int) -> dict[str, Any]:
        """What ``[override.RULE]`` would say to set one value."""
        table: Any = value
        for part in reversed(self.key):
            table = {part: table}
        return {self.rule: table}


class Tried(msgspec.Struct, frozen=True, kw_only=True):
    """What one value would have told. `own` alarms are those of the rule; `refused` says why the rules cannot have this value.

    `flaws`, `hits` and `beside` are judged against the truth, None without one: flaws that passed, those that were alarmed, and
    alarms on no flaw.
    """

    value: str | float | int
    own: int = 0
    others: int = 0
    most_in_10_min: int = 0
    floods: int = 0
    drops: int = 0
    flaws: int | None = None
    hits: int | None = None
    beside: int | None = None
    refused: str = ""


def read_sweep(text: str) -> Sweep:
    """``RULE.KEY=FROM..TO``, ``=FROM..TO/NUMBER`` or ``=A,B,C``; the values are quantities or plain numbers. Raises SweepError."""
    name, equals, values = text.partition("=")
    parts = tuple(part.strip() for part in name.split("."))
    if not equals or len(parts) < 2 or not all(parts) or not values.strip():
        raise SweepError(
            f"{text!r} is no sweep; write RULE.KEY=FROM..TO, such as 'cold-lump.height=0.04 mm..0.10 mm', or =A,B,C"
        )
    found = _RANGE.match(values.strip())
    if found is None:
        listed = tuple(_value(part.strip()) for part in values.split(","))
    else:
        number = int(found[3]) if found[3] else STEPS
        if not 2 <= number <= MOST:
            raise SweepError(f"{number} values: 2 to {MOST} can be tried")
        listed = _between(found[1].strip(), found[2].strip(), number)
    if len(listed) > MOST:
        raise SweepError(f"{len(listed)} values: at most {MOST} can be tried")
    return Sweep(parts[0], parts[1:], listed)


def _value(text: str) -> str | float | int:
    if re.fullmatch(r"[+-]?\d+", text):
        return int(text)
    try:
        number = float(text)
    except ValueError:
        return text
    if not math.isfinite(number):
        raise SweepError(f"{text} is no value")
    return number


def _between(low: str, high: str, number: int) -> tuple[str | float | int, ...]:
    first, last = _value(low), _value(high)
    if isinstance(first, str) or isinstance(last, str):
        try:
            a, b = Quantity.parse(str(first)), Quantity.parse(str(last))
            top = b.to(a.unit)
        except (UnitError, ValueError) as error:
            raise SweepError(f"from {low} to {high}: {error}; write both with one unit, or both as plain numbers") from error
        return tuple(f"{_tidy(x)} {a.unit}" for x in _spaced(a.magnitude, top, number))
    whole = isinstance(first, int) and isinstance(last, int) and (last - first) % (number - 1) == 0
    return tuple(round(x) if whole else float(_tidy(x)) for x in _spaced(first, last, number))


def _spaced(low: float, high: float, number: int) -> list[float]:
    return [low + (high - low) * n / (number - 1) for n in range(number)]


def _tidy(x: float) -> str:
    return f"{x:.6g}"


def rules_of(table: str, names: Iterable[str]) -> frozenset[str]:
    """Names of the rules that a rule's table makes: the one of its name, or those of its ``for_each``."""
    known = frozenset(names)
    return frozenset({table}) if table in known else frozenset(name for name in known if name.startswith(f"{table}-"))


def told_by(rules: frozenset[str], alarms: Mapping[str, AlarmTally]) -> list[AlarmTally]:
    """The alarms of some rules."""
    return [tally for alarm, tally in alarms.items() if alarm.rpartition(".")[0] in rules]


def judged(
    rules: frozenset[str], alarms: Mapping[str, AlarmTally], truth: Iterable[tuple[float, float]], seen: tuple[float, float]
) -> tuple[int, int, int]:
    """Flaws of the truth (pieces of cable, m) in the metres that were seen, how many were alarmed, and alarms on no flaw."""
    every = list(truth)
    flaws = [piece for piece in every if seen[0] <= piece[0] and piece[1] <= seen[1]]
    raised = [_piece(one) for tally in told_by(rules, alarms) for one in tally.raised if one.metre is not None]
    hits = sum(any(_touch(flaw, piece) for piece in raised) for flaw in flaws)
    beside = sum(not any(_touch(flaw, piece) for flaw in every) for piece in raised)
    return len(flaws), hits, beside


def _piece(one: Raised) -> tuple[float, float]:
    assert one.metre is not None
    low = one.metre if one.start is None else min(one.start, one.metre)
    high = one.metre if one.end is None else max(one.end, one.metre)
    return low - one.uncertainty, high + one.uncertainty


def _touch(flaw: tuple[float, float], piece: tuple[float, float]) -> bool:
    return piece[0] <= flaw[1] + MEETS and piece[1] >= flaw[0] - MEETS
