"""Polling: read the values at a fixed rate, in as few requests as the server takes."""

import asyncio
import math
import time
from typing import Any

import msgspec

from ..readings import BAD, Reading
from . import opcua_decode
from .contract import Clock
from .opcua_batches import in_batches
from .opcua_health import OpcUaHealth, Pace
from .opcua_ledger import Ledger
from .opcua_link import Link
from .opcua_nodes import NodeError
from .opcua_paths import Paths
from .opcua_subscription import status_name
from .plan import OpcUaEndpoint, OpcUaPoint
from .schedule import Schedule


class _Group(msgspec.Struct):
    """Points read together. `read_at` is the line time of the last read."""

    interval: float
    points: list[OpcUaPoint]
    read_at: float = -math.inf


class Poller:
    """Reads the points of one endpoint over one connection, a group for each interval, never two requests at a time."""

    def __init__(self, endpoint: OpcUaEndpoint, pace: Pace, ledger: Ledger, clock: Clock, health: OpcUaHealth) -> None:
        self._endpoint, self._pace, self._ledger, self._clock, self._health = endpoint, pace, ledger, clock, health
        self._nodes: dict[str, Any] = {}
        self._wrong: dict[str, str] = {}
        self._retry_at = math.inf
        self.heard = False

    async def run(self, link: Link, *, after_gap: bool) -> None:
        """Poll until the connection is lost (LinkLostError) or the server says no (RefusedError)."""
        await self._resolve(link)
        self._ledger.up()
        if after_gap:
            self._health.gaps += 1
            self._ledger.tell_bad("gap")
        by_interval: dict[float, list[OpcUaPoint]] = {}
        for point in self._endpoint.points:
            by_interval.setdefault(point.poll, []).append(point)
        groups = [_Group(interval, points) for interval, points in by_interval.items()]
        schedule = Schedule([group.interval for group in groups], self._clock.monotonic())
        while True:
            poll = schedule.pick(self._clock.monotonic())
            if poll is not None:
                await self._read(link, groups[poll])
                self.heard = True
                self._health.missed_deadlines += schedule.done(poll, self._clock.monotonic())
            else:
                await asyncio.sleep(max(0.0, min(self._pace.tick, schedule.next_due() - self._clock.monotonic())))
            await link.keep_channel()
            if self._clock.monotonic() >= self._retry_at:
                await self._resolve(link)

    async def _resolve(self, link: Link) -> None:
        namespaces = await link.namespaces()
        self._nodes.clear()
        self._wrong.clear()
        paths = Paths(link, namespaces)
        for point in self._endpoint.points:
            try:
                self._nodes[point.tag] = await paths.node_of(point)
            except NodeError as error:
                self._wrong[point.tag] = str(error)
        self._health.failed_nodes = dict(self._wrong)
        self._retry_at = self._clock.monotonic() + self._pace.retry_nodes if self._wrong else math.inf

    async def _read(self, link: Link, group: _Group) -> None:
        points = [point for point in group.points if point.tag in self._nodes]
        readings: list[Reading] = []

        async def read(batch: list[OpcUaPoint]) -> list[Any]:
            self._health.requests += 1
            asked, asked_at = time.monotonic(), self._clock.line_time()
            answers = await link.read([self._nodes[point.tag] for point in batch])
            self._health.round_trip = time.monotonic() - asked
            now = self._clock.line_time()
            moment = opcua_decode.Moment((asked_at + now) / 2, (now - asked_at) / 2, unchanged_before=group.read_at)
            for point, answer in zip(batch, answers, strict=True):
                readings.append(opcua_decode.decode(point, answer, moment, status_name))
            return answers

        began = self._clock.line_time()
        await in_batches(points, read)
        group.read_at = began
        for point in group.points:
            if point.tag in self._wrong:
                readings.append(Reading(point.tag, self._clock.line_time(), math.nan, BAD, self._wrong[point.tag]))
        self._health.source_times_replaced += sum(opcua_decode.SOURCE_TIME in reading.reason for reading in readings)
        self._ledger.hand_over(readings)
