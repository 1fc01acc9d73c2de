"""What has been handed over for each tag: tells losses, and hands unchanged values over again. No I/O of its own."""

import math
from collections.abc import Iterable, Sequence

import msgspec

from ..readings import BAD, Act, Reading
from .contract import Clock, Deliver
from .opcua_health import OpcUaHealth
from .plan import OpcUaEndpoint


class _Last(msgspec.Struct):
    """The last reading with something of the server in it, and when anything was handed over last (monotonic)."""

    reading: Reading | None = None
    handed_over: float = 0.0
    told_bad: bool = False


class Ledger:
    """Knows the last reading of each tag of one endpoint and whether the core has been told of an outage."""

    def __init__(self, endpoint: OpcUaEndpoint, deliver: Deliver, clock: Clock, health: OpcUaHealth) -> None:
        self._name = endpoint.name
        self._latency = {point.tag: point.latency for point in endpoint.points}
        self._last = {point.tag: _Last() for point in endpoint.points}
        self._deliver = deliver
        self._clock = clock
        self._health = health
        self._told_up: bool | None = None

    def hand_over(self, readings: Sequence[Reading]) -> None:
        """Values (or their lack) as the server gave them."""
        if not readings:
            return
        now = self._clock.monotonic()
        for reading in readings:
            last = self._last[reading.tag]
            last.reading, last.handed_over, last.told_bad = reading, now, False
        self._health.values += len(readings)
        self._deliver(readings)

    def tell_bad(self, reason: str, tags: Iterable[str] | None = None) -> None:
        """One bad reading a tag (all when `tags` is None): from here back to the last value nothing is known."""
        time, now = self._clock.line_time(), self._clock.monotonic()
        batch = []
        for tag in self._last if tags is None else tags:
            last = self._last[tag]
            last.handed_over, last.told_bad = now, True
            batch.append(Reading(tag, time, math.nan, BAD, reason))
        if batch:
            self._deliver(batch)

    def repeat(self, older_than: float, doubt: float) -> None:
        """Hand unchanged values over again, as of now: those not heard of for `older_than` seconds, and those told bad since."""
        time, now = self._clock.line_time(), self._clock.monotonic()
        batch = []
        for tag, last in self._last.items():
            reading = last.reading
            if reading is None or (now - last.handed_over < older_than and not last.told_bad):
                continue
            last.handed_over, last.told_bad = now, False
            batch.append(
                Reading(tag, time - self._latency[tag], reading.value, reading.quality, reading.reason, time_uncertainty=doubt)
            )
        if batch:
            self._deliver(batch)

    def forget(self) -> None:
        """What was said before no longer holds: nothing is repeated until the server has spoken anew."""
        for last in self._last.values():
            last.reading = None

    def up(self) -> None:
        """The endpoint is up; told once."""
        if self._told_up is True:
            return
        self._told_up = True
        self._turn(True, "")
        self._deliver([Act("endpoint_up", self._clock.line_time(), who=self._name, endpoint=self._name)])

    def down(self, reason: str) -> None:
        """The endpoint is down; told once, with a bad reading for each tag. A new reason is kept in health."""
        if self._told_up is False:
            self._health.reason = reason
            return
        self._told_up = False
        self._turn(False, reason)
        self._deliver([Act("endpoint_down", self._clock.line_time(), who=self._name, endpoint=self._name, reason=reason)])
        self.tell_bad(f"no connection: {reason}")

    def _turn(self, up: bool, reason: str) -> None:
        self._health.up, self._health.reason = up, reason
        self._health.since = self._clock.line_time()
