"""What is kept of one alarm: its plan, and a record whose state owns the data that only this state has."""

from typing import Any

import msgspec

from ..events import Class, Priority, StateName
from ..rules.contract import Condition


class AlarmPlan(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm as the rule files rationalize it. `alarm` is ``<rule>.<limit>``.

    `because_of` names alarms (or whole rules) that explain this one: while one of them is active, this one is suppressed by design.
    `respond_within` is text such as ``2 min``.
    """

    alarm: str
    rule: str
    limit: str
    class_: Class
    priority: Priority
    latch: bool = False
    trial: bool = False
    because_of: tuple[str, ...] = ()
    group: str = ""
    cause: str = ""
    consequence: str = ""
    response: str = ""
    respond_within: str = ""


class _State(msgspec.Struct, frozen=True, tag_field="state"):
    """`since`: line time at which the state was entered."""

    since: float = 0.0

    @property
    def name(self) -> StateName:
        return self.__struct_config__.tag  # type: ignore[return-value]


class Normal(_State, frozen=True, tag="normal"):
    """Nothing is wrong, or nothing is left to be said about it."""


class Unacknowledged(_State, frozen=True, tag="unacknowledged"):
    """Active, and nobody has said that they have seen it."""


class Acknowledged(_State, frozen=True, tag="acknowledged"):
    """Active, seen by `by`."""

    by: str = ""


class ReturnedUnacknowledged(_State, frozen=True, tag="returned_unacknowledged"):
    """Over, and nobody has said that they have seen it."""


class LatchedUnacknowledged(_State, frozen=True, tag="latched_unacknowledged"):
    """Over but latched, and nobody has said that they have seen it."""


class LatchedAcknowledged(_State, frozen=True, tag="latched_acknowledged"):
    """Over, seen by `by`, held until it is reset."""

    by: str = ""


class Shelved(_State, frozen=True, tag="shelved"):
    """Put aside by `who` until line time `until`; `one_shot`: until its condition next returns, and `until` at the latest."""

    until: float = 0.0
    one_shot: bool = False
    reason: str = ""
    who: str = ""


class SuppressedByDesign(_State, frozen=True, tag="suppressed_by_design"):
    """Explained by the alarms in `because`, which are active."""

    because: tuple[str, ...] = ()


class OutOfService(_State, frozen=True, tag="out_of_service"):
    """Taken out by `who` for maintenance."""

    reason: str = ""
    who: str = ""


AnyState = (
    Normal
    | Unacknowledged
    | Acknowledged
    | ReturnedUnacknowledged
    | LatchedUnacknowledged
    | LatchedAcknowledged
    | Shelved
    | SuppressedByDesign
    | OutOfService
)


class Record(msgspec.Struct, frozen=True):
    """One alarm now. `live`: its condition is active, whatever the state shows. `last` is the last condition told."""

    state: AnyState = Normal()
    live: bool = False
    last: Condition | None = None
    expected_reel: str = ""
    takes_up_at: str = ""


def to_plain(record: Record) -> Any:
    """The record as JSON-able data."""
    return msgspec.to_builtins(record)


def from_plain(data: object) -> Record:
    """Take back what `to_plain` gave. Raises msgspec.ValidationError when it does not fit."""
    return msgspec.convert(data, Record)
