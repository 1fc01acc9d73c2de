"""The OPC UA endpoint: connect, subscribe or poll, bridge cuts, start anew, for ever. Read-only.

Import this module only when an OPC UA endpoint is configured: asyncua takes 150 ms and 26 MB.
"""

import asyncio
import math
import random
import time
from collections.abc import Sequence
from typing import Any

import structlog

from . import opcua_decode, opcua_security
from .backoff import backoff
from .contract import Clock, Deliver, Probed
from .opcua_health import OpcUaHealth, Pace
from .opcua_ledger import Ledger
from .opcua_link import EndpointError, Link, LinkLostError
from .opcua_nodes import NodeError
from .opcua_paths import Paths
from .opcua_poll import Poller
from .opcua_subscription import Feed, ValuesLostError, status_name
from .plan import OpcUaEndpoint, OpcUaPoint

_log = structlog.get_logger()


class OpcUaRunner:
    """A running OPC UA endpoint. Raises OpcUaSettingsError when made with settings that cannot be used."""

    def __init__(self, endpoint: OpcUaEndpoint, deliver: Deliver, clock: Clock, pace: Pace = Pace()) -> None:
        opcua_security.check(endpoint)
        self.health = OpcUaHealth(endpoint.name)
        self._endpoint, self._clock, self._pace = endpoint, clock, pace
        self._ledger = Ledger(endpoint, deliver, clock, self.health)
        self._has_run = False
        self._attempt = 0

    async def run(self) -> None:
        """Connect, read, reconnect with backoff and jitter, for ever, until cancelled."""
        while True:
            try:
                await self._one_connection()
            except EndpointError as lost:
                self.health.failures += 1
                if isinstance(lost, ValuesLostError) and self._attempt == 0:
                    self._attempt = 1
                    continue  # the server is there: no outage, only a gap, told with the new subscription
                self._ledger.down(lost.reason)
            await self._wait(self._attempt)
            self._attempt += 1

    async def probe(self, tags: Sequence[str]) -> list[Probed]:
        """Read each of `tags` once ([] = all) on a connection of its own. Never raises for what the server does."""
        points = {point.tag: point for point in self._endpoint.points}
        wanted = list(tags) or list(points)
        try:
            link = await self._open()
        except EndpointError as error:
            return [_not_read(tag, f"no connection: {error.reason}") for tag in wanted]
        try:
            namespaces = await link.namespaces()
            return [await self._probe_one(link, namespaces, tag, points.get(tag)) for tag in wanted]
        except EndpointError as error:
            return [_not_read(tag, error.reason) for tag in wanted]
        finally:
            await link.close()

    # ---- one connection after another --------------------------------------------------------------------------------

    async def _open(self, heir_of: Link | None = None) -> Link:
        link = await Link.open(self._endpoint, self._pace.bridge, self._pace.channel, heir_of)
        if link.warning and link.warning != self.health.warning:
            _log.warning("certificate", endpoint=self._endpoint.name, warning=link.warning)
        self.health.warning = link.warning
        return link

    async def _wait(self, attempt: int) -> None:
        pace = self._pace
        await asyncio.sleep(backoff(attempt, random.random(), pace.first_wait, pace.longest_wait))

    async def _one_connection(self) -> None:
        """From a fresh connection until one is lost that cannot be bridged (EndpointError)."""
        link = await self._open()
        self.health.reconnects += self._has_run
        try:
            if self._endpoint.mode == "poll":
                await self._poll(link)
            else:
                feed = Feed(self._endpoint, self._pace, self._ledger, self._clock, self.health)
                after_gap, self._has_run = self._has_run, True
                await feed.start(link, after_gap=after_gap)
                try:
                    while True:
                        try:
                            await feed.run(link)
                        except LinkLostError as lost:
                            link.drop()
                            link = await self._bridge(link, feed, lost)
                finally:
                    self._attempt = 0 if feed.heard else self._attempt
        finally:
            await link.close()

    async def _poll(self, link: Link) -> None:
        poller = Poller(self._endpoint, self._pace, self._ledger, self._clock, self.health)
        after_gap, self._has_run = self._has_run, True
        try:
            await poller.run(link, after_gap=after_gap)
        finally:
            self._attempt = 0 if poller.heard else self._attempt

    async def _bridge(self, old: Link, feed: Feed, lost: LinkLostError) -> Link:
        """Take the subscription over to a new connection, as long as the server keeps it; the first try is made at once.

        Raises an EndpointError when it cannot be had; then all must begin anew, and the gap is told.
        """
        if not feed.heard:
            raise lost  # a subscription that gave nothing since it was made or taken over is not worth another try
        attempt = 0
        while True:
            self.health.failures += 1
            try:
                link = await self._open(heir_of=old)
                try:
                    await feed.resume(link)
                except BaseException:
                    link.drop()
                    raise
            except LinkLostError:
                self._ledger.down(lost.reason)
                if self._clock.monotonic() > feed.resumable_until:
                    raise lost from None
                await self._wait(attempt)
                attempt += 1
            else:
                self.health.reconnects += 1
                self.health.bridged += 1
                return link

    # ---- probe -------------------------------------------------------------------------------------------------------

    async def _probe_one(self, link: Link, namespaces: Sequence[str], tag: str, point: OpcUaPoint | None) -> Probed:
        if point is None:
            return _not_read(tag, f"endpoint {self._endpoint.name} has no such tag")
        try:
            node = await Paths(link, namespaces).node_of(point)
        except NodeError as error:
            return _not_read(tag, str(error), {"node": point.node or point.path})
        asked, asked_at = time.monotonic(), self._clock.line_time()
        (answer,) = await link.read([node])
        took = time.monotonic() - asked
        now = self._clock.line_time()
        moment = opcua_decode.Moment((asked_at + now) / 2, (now - asked_at) / 2, unchanged_before=asked_at)
        reading = opcua_decode.decode(point, answer, moment, status_name)
        variant = answer.Value
        code = int(answer.StatusCode.value) if answer.StatusCode is not None else 0
        detail: dict[str, Any] = {
            "node": point.node or point.path,
            "resolved": node.to_string(),
            "status": status_name(code),
            "code": code,
        }
        for key, stamp in (("source_time", answer.SourceTimestamp), ("server_time", answer.ServerTimestamp)):
            if stamp is not None:
                detail[key] = stamp.isoformat()
        raw = "" if variant is None else f"{variant.VariantType.name} {variant.Value!r}"
        return Probed(tag, raw, reading.value, "", reading.quality.word, reading.reason, took, detail)


def _not_read(tag: str, reason: str, detail: dict[str, Any] | None = None) -> Probed:
    return Probed(tag, "", math.nan, "", "bad", reason, 0.0, detail or {})
