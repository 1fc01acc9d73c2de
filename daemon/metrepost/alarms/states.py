"""The alarm states of IEC 62682 / ISA-18.2 as a table: every state meets every input, in a cell or a named refusal.

Charter. This file decides nothing by itself and holds no alarm: it is data. `machine` walks it, `diagram` draws it, the tests
walk its full product. The letters are those of the state transition diagram of ANSI/ISA-18.2-2016 and IEC 62682 (letters and
transitions from memory; OPC 10000-9 5.8.2 and 5.8.5 for what latching, shelving and reset mean).

Two choices are ours:

* **One visible state.** Shelved, suppressed by design and out of service lie *over* the six base states. Underneath, the
  condition is still followed (`Stay`), and on leaving the alarm is normal, or raised anew if its condition is active by then.
* **Suppression by design hides what is not yet annunciated, and nothing else.** While the named cause is active, an alarm that
  would be raised out of `normal` goes to `suppressed_by_design`; one that people already see stays in sight.
"""

from enum import Enum

import msgspec

from ..events import StateName, Transition


class Input(Enum):
    """What can happen to an alarm. The words are those of acts and conditions."""

    ACTIVE = "condition active"
    RETURNED = "condition returned"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    EXPIRED = "shelving expired"
    SUPPRESS = "condition active, explained"
    UNSUPPRESS = "explanation over"
    OUT_OF_SERVICE = "out_of_service"
    IN_SERVICE = "in_service"


class Move(msgspec.Struct, frozen=True):
    """Go to `to` and tell `transition`. For an alarm with `latch`, `latched` stands instead, where it is given.

    `rejoin` marks the ways out of the three covering states: the alarm lands in `normal`, and if its condition is active it at
    once takes the input `ACTIVE` (or `SUPPRESS`, when a cause explains it), which tells a transition of its own.
    """

    to: StateName
    transition: Transition
    latched: "Move | None" = None
    rejoin: bool = False


class Stay(msgspec.Struct, frozen=True):
    """The input is taken note of (the condition is followed), the state stays and nothing is told."""

    why: str


class Refusal(msgspec.Struct, frozen=True):
    """The input makes no sense in this state; `why` is the sentence for the person who tried."""

    why: str


Cell = Move | Stay | Refusal

STATES: tuple[StateName, ...] = (
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned_unacknowledged",
    "latched_unacknowledged",
    "latched_acknowledged",
    "shelved",
    "suppressed_by_design",
    "out_of_service",
)
"""A to I of ISA-18.2, in its order."""

ANNUNCIATED: frozenset[StateName] = frozenset({"unacknowledged", "acknowledged"})
"""States in which people have been told and the condition is still there."""
COVERING: frozenset[StateName] = frozenset({"shelved", "suppressed_by_design", "out_of_service"})
"""States that lie over the base states; the condition underneath is followed."""

_RAISE = Move("unacknowledged", "raised")
_SHELVE = Move("shelved", "shelved")
_OUT = Move("out_of_service", "out_of_service")
_FOLLOWED = Stay("the condition is followed underneath")
_VISIBLE = Refusal("the alarm is already in sight; only an alarm that is normal is suppressed by design")
_NOT_SHELVED = Refusal("the alarm is not shelved")
_NOT_SUPPRESSED = Refusal("the alarm is not suppressed by design")
_NOT_OUT = Refusal("the alarm is in service")
_NOT_LATCHED = Refusal("the alarm is not latched; it needs no reset")
_STILL_ACTIVE = Refusal("the condition is still active; reset is for a latched alarm whose condition has returned")
_NOT_ACTIVE = Refusal("the condition is not active")
_ALREADY = Refusal("the alarm is already acknowledged")


def _base(active: Cell, returned: Cell, acknowledge: Cell, reset: Cell, *, suppress: Cell = _VISIBLE) -> dict[Input, Cell]:
    """One row of a base state: what differs; the covering states are reached from all of them alike."""
    return {
        Input.ACTIVE: active,
        Input.RETURNED: returned,
        Input.ACKNOWLEDGE: acknowledge,
        Input.RESET: reset,
        Input.SHELVE: _SHELVE,
        Input.UNSHELVE: _NOT_SHELVED,
        Input.EXPIRED: _NOT_SHELVED,
        Input.SUPPRESS: suppress,
        Input.UNSUPPRESS: _NOT_SUPPRESSED,
        Input.OUT_OF_SERVICE: _OUT,
        Input.IN_SERVICE: _NOT_OUT,
    }


def _covering(way_out: str, **ways: Cell) -> dict[Input, Cell]:
    """One row of a covering state: the condition is followed, acknowledging and resetting wait until it is lifted."""
    hidden = Refusal(f"the alarm is not annunciated now; {way_out}")
    return {
        Input.ACTIVE: _FOLLOWED,
        Input.RETURNED: _FOLLOWED,
        Input.ACKNOWLEDGE: hidden,
        Input.RESET: hidden,
        Input.SHELVE: ways.get("shelve", _SHELVE),
        Input.UNSHELVE: ways.get("unshelve", _NOT_SHELVED),
        Input.EXPIRED: ways.get("expired", _NOT_SHELVED),
        Input.SUPPRESS: _FOLLOWED,
        Input.UNSUPPRESS: ways.get("unsuppress", _NOT_SUPPRESSED),
        Input.OUT_OF_SERVICE: ways.get("out_of_service", _OUT),
        Input.IN_SERVICE: ways.get("in_service", _NOT_OUT),
    }


TABLE: dict[StateName, dict[Input, Cell]] = {
    "normal": _base(
        active=_RAISE,
        returned=_NOT_ACTIVE,
        acknowledge=Refusal("there is nothing to acknowledge; the alarm is normal"),
        reset=_NOT_LATCHED,
        suppress=Move("suppressed_by_design", "suppressed"),
    ),
    "unacknowledged": _base(
        active=_RAISE,  # another occurrence under the same alarm: told again
        returned=Move("returned_unacknowledged", "returned", latched=Move("latched_unacknowledged", "latched")),
        acknowledge=Move("acknowledged", "acknowledged"),
        reset=_STILL_ACTIVE,
    ),
    "acknowledged": _base(
        active=_RAISE,  # re-alarm, C to B
        returned=Move("normal", "returned", latched=Move("latched_acknowledged", "latched")),
        acknowledge=_ALREADY,
        reset=_STILL_ACTIVE,
    ),
    "returned_unacknowledged": _base(
        active=_RAISE,
        returned=_NOT_ACTIVE,
        acknowledge=Move("normal", "acknowledged"),
        reset=_NOT_LATCHED,
    ),
    "latched_unacknowledged": _base(
        active=_RAISE,
        returned=_NOT_ACTIVE,
        acknowledge=Move("latched_acknowledged", "acknowledged"),
        reset=Refusal("the alarm is latched but not acknowledged; acknowledge it, then reset"),
    ),
    "latched_acknowledged": _base(
        active=_RAISE,
        returned=_NOT_ACTIVE,
        acknowledge=_ALREADY,
        reset=Move("normal", "reset"),
    ),
    "shelved": _covering(
        "unshelve it first",
        shelve=_SHELVE,  # shelving again sets a new time and reason
        unshelve=Move("normal", "unshelved", rejoin=True),
        expired=Move("normal", "unshelved", rejoin=True),
    ),
    "suppressed_by_design": _covering(
        "it is suppressed by design while its cause is active; acknowledge the cause",
        unsuppress=Move("normal", "unsuppressed", rejoin=True),
    ),
    "out_of_service": _covering(
        "put it back in service first",
        shelve=Refusal("the alarm is out of service; put it back in service before shelving it"),
        out_of_service=Refusal("the alarm is already out of service"),
        in_service=Move("normal", "in_service", rejoin=True),
    ),
}
"""(state, input) to cell. Nothing else in the program says what follows what."""


def cell(state: StateName, given: Input, *, latch: bool = False) -> Cell:
    """The cell of a state and an input, with the latched variant already chosen for an alarm with `latch`."""
    found = TABLE[state][given]
    if latch and isinstance(found, Move) and found.latched is not None:
        return found.latched
    return found
