"""A subscription that loses nothing in silence.

Every message has a sequence number; one that is missing is asked for again (Republish), and if the server has it no more, that is
told. There is no queue on this side: a message is acknowledged after its values were handed over, and while we are slow or away
they wait in the server's queues, which are asked to hold `Pace.bridge` seconds. So a lost TCP connection costs nothing as long as
the server lives and the outage is shorter than that.
"""

import asyncio
import contextlib
import math
import time
from collections import Counter
from typing import Any

import msgspec
from asyncua import ua

from ..readings import BAD, Reading
from . import opcua_decode
from .contract import Clock
from .opcua_batches import in_batches
from .opcua_clock import ServerClock
from .opcua_health import OpcUaHealth, Pace
from .opcua_ledger import Ledger
from .opcua_link import CURRENT_TIME, EndpointError, Link, LinkLostError, RefusedError
from .opcua_nodes import NodeError
from .opcua_paths import Paths
from .plan import OpcUaEndpoint, OpcUaPoint

_CLOCK_HANDLE = 1
_CLOCK_TICKS = 3
"""So many times of the server's clock make it a clock that ticks."""
_MOST_PER_MESSAGE = 1000
_FASTEST = 0.01
"""What a sampling interval of 0 ("as fast as you can") is reckoned as when queues are sized, seconds."""
_WRAP = 2**32
_FAR = 2**31
"""Sequence numbers further ahead than this are really behind."""
_GONE = frozenset({"BadSubscriptionIdInvalid", "BadNoSubscription"})


class ValuesLostError(EndpointError):
    """The server no longer has messages that we never got."""


class _Item(msgspec.Struct):
    """A node being watched. Its first value is what held when we subscribed, however long ago it was set."""

    point: OpcUaPoint
    since: float
    queue: int
    heard: bool = False


def following(sequence: int) -> int:
    """The sequence number after this one: 32 bits, and 0 is left out (OPC 10000-4, 7.8)."""
    return 1 if sequence >= 0xFFFFFFFF else sequence + 1


class Feed:
    """One subscription. It outlives the connection it was made on: `resume` takes it over to a new one."""

    def __init__(self, endpoint: OpcUaEndpoint, pace: Pace, ledger: Ledger, clock: Clock, health: OpcUaHealth) -> None:
        self._endpoint, self._pace, self._ledger, self._clock, self._health = endpoint, pace, ledger, clock, health
        self._id = 0
        self._expected = 1
        self._items: dict[int, _Item] = {}
        self._next_handle = _CLOCK_HANDLE + 1
        self._failed: dict[str, str] = {}
        self._acknowledged: list[Any] = []
        self._in_chain: Counter[int] = Counter()
        self._server_clock = ServerClock()
        self._server_time_moved = 0.0
        self._server_times = 0
        self._clock_sampling = 0.0
        self._publish = endpoint.publish
        self._silence = pace.silence
        self._lifetime = pace.bridge
        self._backlog = 0.0
        self._settling = False
        self._last_message = 0.0
        self._retry_at = math.inf
        self.heard = False

    @property
    def resumable_until(self) -> float:
        """Monotonic time until which the server keeps this subscription without us."""
        return self._last_message + self._lifetime

    # ---- beginnings --------------------------------------------------------------------------------------------------

    async def start(self, link: Link, *, after_gap: bool) -> None:
        """Make the subscription. `after_gap`: tell first that values may have been lost."""
        endpoint, pace = self._endpoint, self._pace
        keep_alive = max(1, round(pace.keep_alive / endpoint.publish))
        granted = await link.create_subscription(
            ua.CreateSubscriptionParameters(
                RequestedPublishingInterval=endpoint.publish * 1000,
                RequestedMaxKeepAliveCount=keep_alive,
                RequestedLifetimeCount=max(3 * keep_alive, math.ceil(pace.bridge / endpoint.publish)),
                MaxNotificationsPerPublish=_MOST_PER_MESSAGE,
                PublishingEnabled=True,
            )
        )
        self._id = int(granted.SubscriptionId)
        self._publish = granted.RevisedPublishingInterval / 1000 or endpoint.publish
        self._silence = max(pace.silence, 2.5 * granted.RevisedMaxKeepAliveCount * self._publish)
        self._lifetime = granted.RevisedLifetimeCount * self._publish
        self._health.publish, self._health.bridges = self._publish, self._lifetime
        self._health.sampling, self._health.queue = 0.0, 0
        self._last_message = self._clock.monotonic()
        self._ledger.up()
        if after_gap:
            self._health.gaps += 1
            self._ledger.tell_bad("gap")
        self._ledger.forget()
        await self._watch_server_clock(link)
        await self._watch(link, self._endpoint.points)

    async def resume(self, link: Link) -> None:
        """Go on, on a new connection, and fetch what was missed. Raises RefusedError or ValuesLostError when that cannot be had."""
        try:
            held = await link.transfer(self._id)
        except RefusedError as refused:
            if refused.status in _GONE:
                raise
            held = []  # the subscription came with its session; what is missing shows in the sequence numbers
        self._backlog = self._clock.monotonic() - self._last_message + self._publish
        self._settling, self.heard, self._server_times = True, False, 0
        self._last_message = self._clock.monotonic()  # the silence is counted anew from here
        self._ledger.up()
        ahead = {number: (number - self._expected) % _WRAP for number in held}
        self._acknowledged = [
            ua.SubscriptionAcknowledgement(self._id, number) for number, distance in ahead.items() if distance >= _FAR
        ]
        missed = [number for number, distance in ahead.items() if distance < _FAR]
        if missed:
            await self._catch_up(link, following(max(missed, key=lambda number: ahead[number])))

    async def _watch_server_clock(self, link: Link) -> None:
        # a server whose publishing lives while its sampling is dead sends keep-alives for ever; its clock gives it away
        request = self._request(CURRENT_TIME, _CLOCK_HANDLE, sampling=1.0, queue=1)
        parameters = ua.CreateMonitoredItemsParameters(
            SubscriptionId=self._id, TimestampsToReturn=ua.TimestampsToReturn.Both, ItemsToCreate=[request]
        )
        with contextlib.suppress(RefusedError):  # then it is not watched: some small servers do not offer it
            (result,) = await link.create_monitored_items(parameters)
            self._clock_sampling = float(result.RevisedSamplingInterval) / 1000

    async def _watch(self, link: Link, points: tuple[OpcUaPoint, ...]) -> None:
        """Subscribe to nodes; those that fail become bad readings, once for each new reason, and are tried again later."""
        asked_at = time.monotonic()
        namespaces = await link.namespaces()
        self._health.round_trip = time.monotonic() - asked_at
        wanted: list[tuple[int, OpcUaPoint, Any]] = []
        failed: dict[str, str] = {}
        paths = Paths(link, namespaces)
        for point in points:
            try:
                wanted.append((self._next_handle, point, await paths.node_of(point)))
                self._next_handle += 1
            except NodeError as error:
                failed[point.tag] = str(error)
        sampling = self._endpoint.sampling
        queue = max(10, math.ceil(self._pace.bridge / max(sampling, _FASTEST)))
        since = self._clock.line_time()

        async def create(batch: list[tuple[int, OpcUaPoint, Any]]) -> list[Any]:
            for handle, point, _ in batch:  # known before they are asked for: their first values may overtake the answer
                self._items[handle] = _Item(point, since, queue)
            requests = [self._request(node, handle, sampling, queue) for handle, _, node in batch]
            return await link.create_monitored_items(
                ua.CreateMonitoredItemsParameters(
                    SubscriptionId=self._id, TimestampsToReturn=ua.TimestampsToReturn.Both, ItemsToCreate=requests
                )
            )

        results = await in_batches(wanted, create)
        for (handle, point, _), result in zip(wanted, results, strict=True):
            if not result.StatusCode.is_good():
                del self._items[handle]
                failed[point.tag] = result.StatusCode.name
                continue
            self._grant(self._items[handle], result)
        new = [
            Reading(tag, self._clock.line_time(), math.nan, BAD, reason)
            for tag, reason in failed.items()
            if self._failed.get(tag) != reason
        ]
        self._failed = failed
        self._health.failed_nodes = dict(failed)
        self._ledger.hand_over(new)
        self._retry_at = self._clock.monotonic() + self._pace.retry_nodes if failed else math.inf

    def _grant(self, item: _Item, result: Any) -> None:
        """Take note of what the server made of the wanted sampling and queue."""
        health = self._health
        item.queue = int(result.RevisedQueueSize)
        sampling = float(result.RevisedSamplingInterval) / 1000
        health.sampling = max(health.sampling, sampling)
        health.queue = item.queue if health.queue == 0 else min(health.queue, item.queue)
        if item.queue:
            health.bridges = min(health.bridges, item.queue * max(min(sampling, self._endpoint.sampling), _FASTEST))

    @staticmethod
    def _request(node: Any, handle: int, sampling: float, queue: int) -> Any:
        return ua.MonitoredItemCreateRequest(
            ItemToMonitor=ua.ReadValueId(NodeId=node, AttributeId=ua.AttributeIds.Value),
            MonitoringMode=ua.MonitoringMode.Reporting,
            RequestedParameters=ua.MonitoringParameters(
                ClientHandle=handle, SamplingInterval=sampling * 1000, QueueSize=queue, DiscardOldest=True
            ),
        )

    # ---- the daily round ---------------------------------------------------------------------------------------------

    async def run(self, link: Link) -> None:
        """Take messages until an EndpointError: LinkLostError, RefusedError by the server, or ValuesLostError."""
        pending = asyncio.create_task(link.publish(self._take_acknowledged()), name=f"publish {self._endpoint.name}")
        try:
            while True:
                await asyncio.wait({pending}, timeout=self._pace.tick)
                if pending.done():
                    response = pending.result()
                    await self._take(link, response)
                    pending = asyncio.create_task(link.publish(self._take_acknowledged()), name=pending.get_name())
                await self._look_after(link)
        finally:
            pending.cancel()
            await asyncio.gather(pending, return_exceptions=True)

    def _take_acknowledged(self) -> list[Any]:
        acknowledged, self._acknowledged = self._acknowledged, []
        return acknowledged

    @property
    def _longest_silence(self) -> float:
        """How long no message at all is still in order, seconds: less than keep-alives promise, once the server's clock ticks."""
        if self._server_times < _CLOCK_TICKS:
            return self._silence
        return min(self._silence, max(self._pace.silence, 2.5 * max(self._publish, self._clock_sampling)))

    async def _look_after(self, link: Link) -> None:
        now = self._clock.monotonic()
        silent = now - self._last_message
        if silent > self._longest_silence:
            raise LinkLostError(
                f"nothing heard for {silent:.1f} s, although it should say that it lives every {self._pace.keep_alive:g} s"
            )
        if self._server_times >= _CLOCK_TICKS and now - self._server_time_moved > self._pace.standstill:
            raise ValuesLostError(
                f"the server's clock stands still since {now - self._server_time_moved:.1f} s: it no longer samples"
            )
        await link.keep_channel()
        if self.heard and not self._settling:
            self._ledger.repeat(self._pace.repeat, self._publish)
        if now >= self._retry_at:
            failed = self._failed
            await self._watch(link, tuple(point for point in self._endpoint.points if point.tag in failed))

    async def _take(self, link: Link, response: Any) -> None:
        """One PublishResponse: what was missed before it, then itself."""
        result = response.Parameters
        message = result.NotificationMessage
        if int(result.SubscriptionId) != self._id:
            if not result.SubscriptionId:
                raise RefusedError("the server has no subscription for us any more", "BadNoSubscription")
            return  # a subscription given up earlier; it expires by itself
        self._health.requests += 1
        self.heard = True
        received = self._clock.line_time()
        await self._catch_up(link, int(message.SequenceNumber))
        if message.PublishTime is not None:
            self._hear_clock(message.PublishTime, received)
        if message.NotificationData and int(message.SequenceNumber) == self._expected:
            self._accept(message, received)
        if not result.MoreNotifications:
            self._in_chain.clear()
            if self._settling:
                self._settling, self._backlog = False, 0.0
                self._ledger.repeat(math.inf, self._publish)
        self._last_message = self._clock.monotonic()

    async def _catch_up(self, link: Link, sequence: int) -> None:
        """Fetch the messages before `sequence` that never came. Keep-alives carry the number of the next message with values."""
        ahead = (sequence - self._expected) % _WRAP
        if ahead >= _FAR:
            return  # an old one, come twice
        while self._expected != sequence:
            missed = await link.republish(self._id, self._expected)
            if missed is None:
                raise ValuesLostError(f"{ahead} messages of the server were lost and it no longer has them")
            self._accept(missed, self._clock.line_time())

    def _accept(self, message: Any, received: float) -> None:
        """Decode one message and hand it over, then put it down for acknowledgement."""
        readings: list[tuple[float, Reading]] = []
        latest: dict[str, float] = {}
        ended: Any = None
        moment = opcua_decode.Moment(received, self._publish, backlog=self._backlog, clock_doubt=self._server_clock.doubt)
        for notification in message.NotificationData:
            if isinstance(notification, ua.DataChangeNotification):
                for change in notification.MonitoredItems:
                    self._decode(change, moment, readings, latest)
            elif isinstance(notification, ua.StatusChangeNotification):
                ended = notification.Status
        # across tags in order of time, within a tag as the server sent them
        readings.sort(key=lambda pair: pair[0])
        self._ledger.hand_over([reading for _, reading in readings])
        self._acknowledged.append(ua.SubscriptionAcknowledgement(self._id, message.SequenceNumber))
        self._expected = following(int(message.SequenceNumber))
        if ended is not None and not ended.is_good():
            raise RefusedError(f"the server ended the subscription: {ended.name}", ended.name)

    def _decode(
        self, change: Any, moment: opcua_decode.Moment, into: list[tuple[float, Reading]], latest: dict[str, float]
    ) -> None:
        handle, value = int(change.ClientHandle), change.Value
        if handle == _CLOCK_HANDLE:
            self._hear_server_time(value, moment.received)
            return
        item = self._items.get(handle)
        if item is None or value is None:
            return
        point = item.point
        if not item.heard:
            moment = msgspec.structs.replace(moment, unchanged_before=item.since, first=True)
        reading = opcua_decode.decode(point, value, moment, status_name)
        if opcua_decode.SOURCE_TIME in reading.reason:
            self._health.source_times_replaced += 1
        at = latest[point.tag] = max(reading.time, latest.get(point.tag, -math.inf))
        self._in_chain[handle] += 1
        code = int(value.StatusCode.value) if value.StatusCode is not None else 0
        # many servers set no overflow bit: a queue that came back full may have run over
        if opcua_decode.overflowed(code) or (self._in_chain[handle] == item.queue > 1):
            self._health.overflows += 1
            into.append((at, Reading(point.tag, reading.time, math.nan, BAD, "lost")))
        item.heard = True
        into.append((at, reading))

    def _hear_server_time(self, value: Any, received: float) -> None:
        self._server_times += 1
        self._server_time_moved = self._clock.monotonic()
        stamp = value.Value.Value if value is not None and value.Value is not None else None
        if stamp is not None and hasattr(stamp, "timestamp"):
            self._hear_clock(stamp, received)

    def _hear_clock(self, stamp: Any, received: float) -> None:
        self._server_clock.hear(stamp.timestamp() - received, received)
        self._health.server_clock_ahead = self._server_clock.ahead


def status_name(code: int) -> str:
    """The standard's name of a status code."""
    return str(ua.StatusCode(code).name)
