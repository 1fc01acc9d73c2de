"""What every endpoint does: run until cancelled, hand readings over in order, tell when it is up or down. Read-only.

An endpoint never raises for what the field does (lost device, nonsense, exception answers): that becomes readings of bad quality
with a reason, and counters. It raises only for bugs. Cancelling `run` ends it at once.
"""

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import msgspec

from ..readings import Act, Reading

Deliver = Callable[[Sequence[Reading | Act]], None]
"""Hands a batch, in order, to the shell. Never blocks, never raises; what it must drop it counts itself."""


class Health(msgspec.Struct):
    """Counters of one endpoint, shown in the `state` topic and by probe."""

    endpoint: str
    up: bool = False
    since: float = 0.0
    reason: str = "not connected yet"
    requests: int = 0
    failures: int = 0
    missed_deadlines: int = 0
    reconnects: int = 0
    values: int = 0
    round_trip: float = 0.0


class Clock(Protocol):
    """Line time for endpoints."""

    def line_time(self) -> float:
        """Line time now, seconds."""

    def monotonic(self) -> float:
        """Monotonic time now, seconds (time.monotonic)."""


class EndpointRunner(Protocol):
    """A running endpoint."""

    @property
    def health(self) -> Health:
        """Its counters, alive."""

    async def run(self) -> None:
        """Connect, read, reconnect with backoff and jitter, for ever, until cancelled."""

    async def probe(self, tags: Sequence[str]) -> list["Probed"]:
        """Read each of `tags` once ([] = all that may be read) on a connection of its own."""


class Probed(msgspec.Struct, frozen=True):
    """One tag as the device gave it."""

    tag: str
    raw: str
    value: float
    unit: str
    quality: str
    reason: str
    round_trip: float
    detail: dict[str, Any] = {}
