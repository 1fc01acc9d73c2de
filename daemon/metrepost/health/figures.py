"""How one line's daemon fares, as plain data, and what is to be thought of it."""

from typing import Literal

import msgspec

from ..publish.payloads import EndpointHealth

STUCK_AFTER = 5.0
"""Seconds without a tick through the core after which a line is not watched any more."""


class Standing(msgspec.Struct, frozen=True):
    """Alarms of one class and priority in one state."""

    class_: str
    priority: str
    state: str
    alarms: int


class LineFigures(msgspec.Struct, frozen=True, kw_only=True):
    """One line now. Ages are seconds; counts are since the start of the daemon.

    `core_age` is how long ago the core took its last tick; `inbox` inputs wait for the core, `uncommitted` outputs for the journal;
    `journal_trouble` is "" while it writes. `backlog` is what waits for the broker by stream. `tasks` are those of the whole process.
    `acts` counts what came to the doors by its outcome (see `doors.request.Answer`); `door_trouble` is "" while all doors are open.
    """

    line: str
    version: str
    running_for: float
    line_state: str
    core_age: float
    inputs: int
    inbox: int
    uncommitted: int
    journal_trouble: str
    endpoints: dict[str, EndpointHealth]
    requests: dict[str, int]
    round_trip: dict[str, float]
    broker_connected: bool
    broker_trouble: str
    delivered: int
    unheard: int
    refused: int
    lost: int
    backlog: dict[str, int]
    sent_readings: int
    dropped_readings: int
    dropped: dict[str, int]
    messages_queued: int
    messages_delivered: int
    messages_given_up: int
    alarms: tuple[Standing, ...]
    tasks: int
    acts: dict[str, int] = {}
    door_trouble: str = ""


class Verdict(msgspec.Struct, frozen=True):
    """`ok`; `degraded`: the line is watched, but something outside is away; `failing`: the line is not watched. With reasons."""

    status: Literal["ok", "degraded", "failing"]
    reasons: tuple[str, ...]


def judge(figures: LineFigures) -> Verdict:
    """What to think of a line's figures. Only what a restart of the daemon might mend is `failing`."""
    failing = []
    if figures.core_age > STUCK_AFTER:
        failing.append(f"no tick went through the core for {figures.core_age:.0f} s")
    if failing:
        return Verdict("failing", tuple(failing))
    degraded = [f"endpoint {name}: {e.reason}" for name, e in figures.endpoints.items() if not e.up]
    if figures.journal_trouble:
        degraded.append(f"journal: {figures.journal_trouble}")
    if not figures.broker_connected:
        degraded.append(f"broker: {figures.broker_trouble or 'not connected yet'}")
    if figures.door_trouble:
        degraded.append(f"door: {figures.door_trouble}")
    if figures.dropped:
        degraded.append("dropped: " + ", ".join(f"{n} {what}" for what, n in figures.dropped.items()))
    return Verdict("degraded" if degraded else "ok", tuple(degraded))
