"""A Modbus connection: polls the devices on it at fixed rates and hands their readings over. Function codes 1 to 4 only.

Two tasks a connection: one keeps it, one keeps the schedule, and the schedule goes on while there is no connection, so that
whoever judges hears `not connected` at every poll and never mere silence.

Devices that share a connection take turns by earliest deadline. One that is silent costs the others at most one time-out a poll,
and after three silences in a row it is left alone for a while that doubles up to ten seconds.
"""

import asyncio
import math
import random
from collections.abc import Callable, Sequence

from ..readings import Act, Reading
from .backoff import backoff
from .contract import Clock, Deliver, Health, Probed
from .modbus_decode import BlockDecoder, raw_text
from .modbus_link import NOT_CONNECTED, Answer, ModbusLink, NoAnswer
from .modbus_plan import PlanError, Request, is_cleared, join, plan, span, split
from .modbus_rtu_link import ModbusRtuLink
from .plan import ModbusEndpoint, ModbusPoint
from .schedule import Schedule

SILENCES = 3
"""Requests in a row without a right answer after which the connection is given up and made anew (half-open links)."""

ABSENT = "unit does not answer"


class _Unit:
    """One device on the connection: how often in a row it was silent, and until when it is left alone (monotonic)."""

    def __init__(self) -> None:
        self.silences = 0
        self.alone_until = 0.0


class _Batch:
    """One poll on its way: requests asked so far, and what they brought."""

    def __init__(self, requests: Sequence[Request]) -> None:
        self._requests = requests
        self._connection = -1
        self.begin(0)

    def begin(self, connection: int) -> None:
        """Ask as planned again on a new connection: a device that was still starting up may know its registers now."""
        if connection == self._connection:
            return
        self._connection = connection
        self.blocks = [(request, BlockDecoder(request)) for request in self._requests]
        self.next = 0
        self.readings: list[Reading] = []
        self.refused: list[int] = []
        self.silent: NoAnswer | None = None

    def take(self) -> list[Reading]:
        """Readings of the whole poll; begins the next one, in smaller requests where the device refused a block."""
        readings, self.readings = self.readings, []
        for number in reversed(self.refused):
            self.blocks[number : number + 1] = [(piece, BlockDecoder(piece)) for piece in split(self.blocks[number][0])]
        self.refused = []
        self.next = 0
        self.silent = None
        return readings


class ModbusRunner:
    """Runs one Modbus endpoint. `jitter` gives fractions 0 … 1 for the wait between attempts to connect.

    Raises PlanError at once when the endpoint's points cannot be read as declared.
    """

    def __init__(
        self, endpoint: ModbusEndpoint, deliver: Deliver, clock: Clock, jitter: Callable[[], float] = random.random
    ) -> None:
        self._endpoint = endpoint
        self._deliver = deliver
        self._clock = clock
        self._jitter = jitter
        self._polls = plan(endpoint)
        self._link: ModbusLink | None = None
        self._tried = asyncio.Event()
        self._announced: bool | None = None
        self._units = {endpoint.unit_of(point): _Unit() for point in endpoint.points}
        self.health = Health(endpoint.name, since=clock.line_time())

    async def run(self) -> None:
        """Connect, read, reconnect with backoff and jitter, for ever, until cancelled."""
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._keep_connected(), name=f"{self._endpoint.name} connection")
                tasks.create_task(self._keep_schedule(), name=f"{self._endpoint.name} schedule")
        finally:
            self.health.up = False
            self.health.reason = "stopped"

    async def _keep_connected(self) -> None:
        attempt = connections = 0
        while True:
            link = self._new_link()
            try:
                why = await link.open()
                if not why:
                    self._units = {unit: _Unit() for unit in self._units}
                    connections += 1
                    self.health.reconnects += connections > 1
                    self._link = link
                    self._tried.set()
                    why = await link.lost()
            finally:
                self._link = None
                link.close()
            self._down(why)
            self._tried.set()
            # a device that takes connections and never answers is as dead as one that takes none
            attempt = 0 if link.answered else attempt
            await asyncio.sleep(backoff(attempt, self._jitter()))
            attempt += 1

    async def _keep_schedule(self) -> None:
        batches = [_Batch(poll.requests) for poll in self._polls]
        # the first poll waits for the first attempt to connect, but not longer than for an answer
        try:
            async with asyncio.timeout(self._endpoint.timeout):
                await self._tried.wait()
        except TimeoutError:
            pass
        schedule = Schedule([poll.period for poll in self._polls], self._clock.monotonic())
        while True:
            now = self._clock.monotonic()
            poll = schedule.pick(now)
            if poll is None:
                await asyncio.sleep(min(schedule.next_due() - now, 3600.0))
                continue
            batch = batches[poll]
            if batch.next == 0:
                batch.begin(self.health.reconnects)
            await self._ask(batch)
            if batch.next == len(batch.blocks):
                self.health.missed_deadlines += schedule.done(poll, self._clock.monotonic())
                self._deliver(batch.take())

    async def _ask(self, batch: _Batch) -> None:
        """The next request of a poll."""
        request, decoder = batch.blocks[batch.next]
        # the rest of a poll that met with silence is not asked for: the line belongs to the others
        outcome = batch.silent or await self._request(request)
        if isinstance(outcome, Answer):
            half = (outcome.received - outcome.sent) / 2.0
            batch.readings += decoder.readings(outcome.data, outcome.sent + half, half)
            self.health.values += len(request.points)
        else:
            batch.readings += decoder.lost(outcome.time, outcome.reason)
            if outcome.unit_silent and len(self._units) > 1:
                batch.silent = outcome
            if outcome.unknown_address and len(request.points) > 1:
                batch.refused.append(batch.next)
        batch.next += 1

    async def _request(self, request: Request) -> Answer | NoAnswer:
        link = self._link
        if link is None:
            await asyncio.sleep(0)  # others get their turn even when every poll is due at once
            return NoAnswer(NOT_CONNECTED, self._clock.line_time(), self.health.reason)
        unit = self._units[self._endpoint.unit_id if request.unit_id is None else request.unit_id]
        if self._clock.monotonic() < unit.alone_until:
            await asyncio.sleep(0)
            return NoAnswer(ABSENT, self._clock.line_time())
        self.health.requests += 1
        outcome = await link.read(request)
        self._note(unit, outcome)
        if isinstance(outcome, Answer):
            self.health.round_trip = outcome.round_trip
            self._up()
            return outcome
        self.health.failures += 1
        if outcome.alive:
            self._up()
        elif outcome.broken or (link.silent >= SILENCES and all(one.silences for one in self._units.values())):
            last = f"{outcome.reason} ({outcome.detail})" if outcome.detail else outcome.reason
            link.give_up(
                last if outcome.broken else f"{SILENCES} requests in a row without a right answer, the last one: {last}"
            )
            if self._link is link:
                self._link = None
            self._down(link.why)
        else:
            await asyncio.sleep(0)
        return outcome

    def _note(self, unit: _Unit, outcome: Answer | NoAnswer) -> None:
        """Count silences of a unit, and leave it alone when others wait for their turn."""
        if isinstance(outcome, NoAnswer) and not outcome.asked:
            return
        before = unit.silences >= SILENCES
        if isinstance(outcome, NoAnswer) and (outcome.unit_silent or not outcome.alive):
            unit.silences += 1
            if len(self._units) > 1 and unit.silences >= SILENCES:
                unit.alone_until = self._clock.monotonic() + backoff(unit.silences - SILENCES, self._jitter())
        else:
            unit.silences = 0
        if self.health.up and before != (unit.silences >= SILENCES):
            self.health.reason = self._absent()

    def _absent(self) -> str:
        """Which devices do not answer, in words; "" when all do."""
        silent = [str(number) for number, unit in sorted(self._units.items()) if unit.silences >= SILENCES]
        return f"no answer from unit {', '.join(silent)}" if silent and len(self._units) > 1 else ""

    def _new_link(self) -> ModbusLink:
        return (ModbusLink if self._endpoint.framing == "tcp" else ModbusRtuLink)(self._endpoint, self._clock)

    def _up(self) -> None:
        if not self.health.up:
            self._announce(True, self._absent())

    def _down(self, why: str) -> None:
        if self.health.up or self._announced is None:
            self._announce(False, why)
        elif self.health.reason != why and why:
            self.health.reason = why

    def _announce(self, up: bool, reason: str) -> None:
        self._announced = up
        self.health.up = up
        self.health.since = self._clock.line_time()
        self.health.reason = reason
        act = "endpoint_up" if up else "endpoint_down"
        self._deliver([Act(act, self.health.since, who="endpoint", endpoint=self._endpoint.name, reason=reason)])

    async def probe(self, tags: Sequence[str] = (), *, allow_clearing: bool = False) -> list[Probed]:
        """Read each of `tags` once ([] = all that may be read) on a connection of its own, tag by tag, without joining.

        A tag whose registers are cleared by reading is refused (quality bad, and the reason says so) unless `allow_clearing`:
        reading it takes its value away from the daemon that watches the line.
        """
        points = {point.tag: point for point in self._endpoint.points}
        wanted = list(tags)
        if not wanted:
            in_order = [point for poll in self._polls for request in poll.requests for point in request.points]
            wanted = [p.tag for p in in_order if allow_clearing or not is_cleared(p, self._endpoint)]
        link = self._new_link()
        probed: list[Probed] = []
        try:
            why = await link.open()
            for tag in wanted:
                point = points.get(tag)
                if point is None:
                    known = ", ".join(sorted(points)) or "none"
                    probed.append(_unread(tag, f"no such tag on endpoint {self._endpoint.name}; it has {known}"))
                elif not allow_clearing and is_cleared(point, self._endpoint):
                    probed.append(
                        _unread(tag, "cleared by reading: read only when clearing is allowed and no daemon runs", point)
                    )
                elif why:
                    probed.append(_unread(tag, f"{NOT_CONNECTED}: {why}", point))
                else:
                    probed.append(await _probe_one(link, point))
                    if point.unit_id is not None:
                        probed[-1].detail["unit_id"] = point.unit_id
        finally:
            link.close()
        return probed


def _detail(point: ModbusPoint) -> dict[str, object]:
    return {"table": point.table, "register": point.register, "type": point.type, "count": len(span(point))}


def _unread(tag: str, reason: str, point: ModbusPoint | None = None) -> Probed:
    return Probed(tag, "", math.nan, "", "bad", reason, 0.0, _detail(point) if point else {})


async def _probe_one(link: ModbusLink, point: ModbusPoint) -> Probed:
    request = join([point], len(span(point)), 0, set())[0]
    outcome = await link.read(request)
    if isinstance(outcome, NoAnswer):
        reason = f"{outcome.reason} ({outcome.detail})" if outcome.detail else outcome.reason
        return _unread(point.tag, reason, point)
    half = (outcome.received - outcome.sent) / 2.0
    reading = BlockDecoder(request).readings(outcome.data, outcome.sent + half, half)[0]
    raw = raw_text(request, outcome.data)
    return Probed(point.tag, raw, reading.value, "", reading.quality.word, reading.reason, outcome.round_trip, _detail(point))


__all__ = ["SILENCES", "ModbusRunner", "PlanError"]
