"""Carries decided messages to people: a bounded queue and a worker for each channel, retries with backoff, all counted.

A dead mail server must not delay the phone of somebody else, so channels share nothing but the decision. Nothing is lost
silently: what is given up (attempts or age used up, queue full, stop) is counted and logged with its title.
"""

import asyncio
import contextlib
import random
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from datetime import tzinfo
from typing import Protocol

import msgspec
import structlog

from ..backoff import backoff
from ..events import Event
from .channel import Channel, Sent
from .decide import Decider, Message
from .plan import NotifyPlan

_log = structlog.get_logger("metrepost.notify")


LONGEST_WAIT = 300.0
"""Longest wait between two attempts at one message, seconds."""


class Clock(Protocol):
    """Line time and monotonic time, seconds."""

    def line_time(self) -> float:
        """Line time now."""

    def monotonic(self) -> float:
        """Monotonic time now."""


class Delivery(msgspec.Struct, frozen=True):
    """How a message is carried. Times in seconds.

    A message is given up after `attempts` or when it is `longest` old, whichever comes first. `queue` is how many wait for one
    channel; a full queue gives up the oldest message below critical.
    """

    timeout: float = 20.0
    attempts: int = 20
    longest: float = 1800.0
    first_wait: float = 2.0
    queue: int = 100


class ChannelStatistics(msgspec.Struct):
    """Counters of one channel. `queued` + `delivered` + `given_up` = messages decided for it."""

    channel: str
    queued: int = 0
    delivered: int = 0
    retried: int = 0
    given_up: int = 0
    reason: str = ""


class _Waiting(msgspec.Struct):
    message: Message
    since: float  # monotonic
    attempt: int = 0


class _Worker:
    """Carries the messages of one channel, in order."""

    def __init__(self, channel: Channel, delivery: Delivery, clock: Clock, threads: ThreadPoolExecutor) -> None:
        self.channel = channel
        self.counts = ChannelStatistics(channel=channel.name)
        self._delivery = delivery
        self._clock = clock
        self._threads = threads
        self._queue: deque[_Waiting] = deque()
        self._wake = asyncio.Event()
        self.idle = asyncio.Event()
        self.idle.set()

    def put(self, message: Message) -> None:
        if len(self._queue) >= max(2, self._delivery.queue):
            self._give_up(self._least(), "the queue is full")
        self._queue.append(_Waiting(message, self._clock.monotonic()))
        self.counts.queued = len(self._queue)
        self.idle.clear()
        self._wake.set()

    def _least(self) -> _Waiting:
        rest = list(self._queue)[1:]  # never the first: it may be on its way
        return next((waiting for waiting in rest if waiting.message.priority != "critical"), rest[0])

    def _give_up(self, waiting: _Waiting, reason: str) -> None:
        self._queue.remove(waiting)
        self.counts.queued = len(self._queue)
        self.counts.given_up += 1
        self.counts.reason = reason
        _log.error(
            "notification given up",
            channel=self.channel.name,
            title=waiting.message.title,
            attempts=waiting.attempt,
            reason=reason,
        )

    async def run(self) -> None:
        while True:
            while not self._queue:
                self.idle.set()
                self._wake.clear()
                await self._wake.wait()
            await self._carry(self._queue[0])

    async def _carry(self, waiting: _Waiting) -> None:
        """Attempt until it is delivered or given up. It stays in the queue meanwhile, so that a stop can count it."""
        while True:
            waiting.attempt += 1
            sent = await self._attempt(waiting.message)
            if sent.delivered:
                self._queue.remove(waiting)
                self.counts.queued = len(self._queue)
                self.counts.delivered += 1
                self.counts.reason = ""
                return
            age = self._clock.monotonic() - waiting.since
            wait = backoff(waiting.attempt, random.random(), self._delivery.first_wait, LONGEST_WAIT)
            if waiting.attempt >= self._delivery.attempts or age + wait > self._delivery.longest:
                self._give_up(waiting, sent.reason)
                return
            self.counts.retried += 1
            self.counts.reason = sent.reason
            _log.warning("notification delayed", channel=self.channel.name, reason=sent.reason, next_try_in=round(wait, 1))
            await asyncio.sleep(wait)

    async def _attempt(self, message: Message) -> Sent:
        loop = asyncio.get_running_loop()
        urgent = message.kind in ("raised", "flood")
        call = loop.run_in_executor(self._threads, lambda: self.channel.send(message.title, message.body, urgent=urgent))
        try:
            # apprise keeps its own time-out; this one stands in case a plug-in does not come back to it
            # not `wait_for`: that of Python 3.11 loses a cancellation that meets the end of the call
            async with asyncio.timeout(self._delivery.timeout + 5.0):
                return await call
        except TimeoutError:
            return Sent(delivered=False, reason=f"no answer within {self._delivery.timeout:g} s")
        except Exception as error:  # noqa: BLE001  a plug-in's bug must not silence the other channels
            return Sent(delivered=False, reason=f"{type(error).__name__} in the channel's plug-in")

    def stop(self) -> None:
        for waiting in list(self._queue):
            self._give_up(waiting, "the daemon stopped")


class Notifier:
    """Tells people. Feed it every event with `note`; `run` carries the messages until it is cancelled.

    `source` is the CloudEvents source of the line. Raises UrlError (see `channel`) for a URL that cannot be used, at once and
    without showing it. Must be made inside the event loop that runs it.
    """

    def __init__(
        self,
        plan: NotifyPlan,
        source: str,
        clock: Clock,
        *,
        delivery: Delivery | None = None,
        zone: tzinfo | None = None,
    ) -> None:
        delivery = delivery or Delivery()
        self._clock = clock
        self._decider = Decider(plan, source, zone)
        channels = [Channel(person.name, url, timeout=delivery.timeout) for person in plan.people for url in person.urls]
        self._threads = ThreadPoolExecutor(max_workers=max(1, min(16, len(channels))), thread_name_prefix="notify")
        self._workers: dict[str, list[_Worker]] = {person.name: [] for person in plan.people}
        for channel in channels:
            self._workers[channel.person].append(_Worker(channel, delivery, clock, self._threads))

    def note(self, event: Event) -> None:
        """Take an event, in order. Never blocks, never raises for what the world does."""
        self._put(self._decider.hear(event, self._clock.line_time()))

    async def run(self) -> None:
        """Carry messages until cancelled; what is still waiting then is counted and logged as given up."""
        try:
            async with asyncio.TaskGroup() as tasks:
                for worker in self._all():
                    tasks.create_task(worker.run(), name=f"notify {worker.channel.name}")
                tasks.create_task(self._ticks(), name="notify ticks")
        finally:
            for worker in self._all():
                worker.stop()
            self._threads.shutdown(wait=False, cancel_futures=True)

    async def flush(self, timeout: float) -> bool:  # noqa: ASYNC109  a graceful stop has a budget, and says whether it was enough
        """Wait until nothing is queued, at most `timeout` seconds. Returns whether the queues are empty."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout):
                for worker in self._all():
                    await worker.idle.wait()
        return all(worker.idle.is_set() for worker in self._all())

    def statistics(self) -> list[ChannelStatistics]:
        """Counters of every channel, as they are now (copies)."""
        return [msgspec.structs.replace(worker.counts) for worker in self._all()]

    async def _ticks(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            self._put(self._decider.tick(self._clock.line_time()))

    def _put(self, messages: list[Message]) -> None:
        for message in messages:
            for worker in self._workers[message.person]:
                worker.put(message)

    def _all(self) -> list[_Worker]:
        return [worker for workers in self._workers.values() for worker in workers]
