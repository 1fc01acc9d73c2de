"""Devices that publish: subscribes to their topics at a broker and hands over what comes. It never publishes.

Nobody can be asked, so silence of a device is not seen here: a `missing` rule sees it. What is seen is the broker going away, told
once with a bad reading for each tag.
"""

import asyncio
import math
import random
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

from ..readings import BAD, Act, Reading
from .backoff import LONGEST, backoff
from .contract import Clock, Deliver, Health, Probed
from .mqtt_decode import RETAINED, Message, TopicDecoder
from .mqtt_link import MqttLink
from .plan import MqttEndpoint, MqttPoint

LOST = "lost"
"""Reason of a bad reading that tells of messages dropped for want of room."""
_RAW = 200


class MqttHealth(Health):
    """Counters of an MQTT endpoint. `requests` counts messages; `dropped` those for which there was no room."""

    dropped: int = 0


class MqttRunner:
    """Runs one MQTT endpoint. `jitter` gives fractions 0 … 1 for the wait between attempts to connect.

    Raises ValueError at once for a pointer that is none.
    """

    def __init__(
        self, endpoint: MqttEndpoint, deliver: Deliver, clock: Clock, jitter: Callable[[], float] = random.random
    ) -> None:
        self._endpoint, self._deliver, self._clock, self._jitter = endpoint, deliver, clock, jitter
        self._points: dict[str, list[MqttPoint]] = {}
        for point in endpoint.points:
            self._points.setdefault(point.topic, []).append(point)
        self._decoders = {topic: TopicDecoder(points, endpoint.time_uncertainty) for topic, points in self._points.items()}
        self.health = MqttHealth(endpoint.name, since=clock.line_time())

    async def run(self) -> None:
        """Connect, listen, reconnect with backoff and jitter, for ever, until cancelled."""
        attempt = connections = 0
        told_down = False
        try:
            while True:
                link = MqttLink(self._endpoint, list(self._decoders), self._arrived, self._clock)
                try:
                    why = await link.open()
                    if not why:
                        connections += 1
                        self.health.reconnects += connections > 1
                        self._up(link.refused)
                        told_down = False
                        began = self._clock.monotonic()
                        why = await link.lost()
                        # a broker that ends every connection at once (two clients of one name, say) is not hurried
                        attempt = 0 if link.heard or self._clock.monotonic() - began > LONGEST else attempt
                finally:
                    link.close()
                self._down(why, again=told_down)
                told_down = True
                await asyncio.sleep(backoff(attempt, self._jitter()))
                attempt += 1
        finally:
            self.health.up = False
            self.health.reason = "stopped"

    def _arrived(self, messages: Sequence[tuple[str, Message]], dropped: int) -> None:
        batch: list[Reading | Act] = []
        if dropped:
            self.health.dropped += dropped
            batch += self._bad(LOST, self._endpoint.points)
        for topic, message in messages:
            decoder = self._decoders.get(topic)
            if decoder is None:
                continue  # a broker that sends what nobody asked for
            self.health.requests += 1
            readings = decoder.readings(message)
            self.health.values += len(readings)
            self.health.failures += any(reading.quality is BAD for reading in readings)
            batch += readings
        if batch:
            self._deliver(batch)

    def _bad(self, reason: str, points: Sequence[MqttPoint]) -> list[Reading]:
        now = self._clock.line_time()
        return [Reading(point.tag, now, math.nan, BAD, reason) for point in points]

    def _up(self, refused: dict[str, str]) -> None:
        self.health.up, self.health.since = True, self._clock.line_time()
        self.health.reason = "; ".join(f"subscription to {topic} refused: {why}" for topic, why in refused.items())
        act = Act("endpoint_up", self.health.since, who="endpoint", endpoint=self._endpoint.name, reason=self.health.reason)
        batch: list[Reading | Act] = [act]
        for topic, why in refused.items():
            batch += self._bad(f"the broker refused the subscription: {why}", self._points[topic])
        self._deliver(batch)

    def _down(self, why: str, *, again: bool) -> None:
        self.health.up, self.health.reason = False, why
        self.health.failures += 1
        if again:
            return
        self.health.since = self._clock.line_time()
        act = Act("endpoint_down", self.health.since, who="endpoint", endpoint=self._endpoint.name, reason=why)
        reason = why if why.startswith("no connection") else f"no connection: {why}"
        self._deliver([act, *self._bad(reason, self._endpoint.points)])

    async def probe(self, tags: Sequence[str] = ()) -> list[Probed]:
        """The next message of each of `tags` ([] = all) on a connection of its own, at most the endpoint's `timeout` long.

        A message that the broker had kept is shown only when no other comes in that time.
        """
        by_tag = {point.tag: point for point in self._endpoint.points}
        wanted = list(tags) or list(by_tag)
        topics = {by_tag[tag].topic for tag in wanted if tag in by_tag}
        seen: dict[str, tuple[Message, float]] = {}
        news = asyncio.Event()
        began = self._clock.monotonic()

        def arrived(messages: Sequence[tuple[str, Message]], _: int) -> None:
            for topic, message in messages:
                if topic not in seen or seen[topic][0].retained:
                    seen[topic] = (message, self._clock.monotonic() - began)
            news.set()

        link = MqttLink(self._endpoint, sorted(topics), arrived, self._clock, suffix="-probe")
        try:
            why = await link.open()
            if not why:
                began = self._clock.monotonic()
                missing = topics - link.refused.keys()
                try:
                    async with asyncio.timeout(self._endpoint.timeout):
                        while any(topic not in seen or seen[topic][0].retained for topic in missing):
                            news.clear()
                            await news.wait()
                except TimeoutError:
                    pass
        finally:
            link.close()
        return [self._probed(tag, by_tag.get(tag), seen, link.refused, why) for tag in wanted]

    def _probed(
        self,
        tag: str,
        point: MqttPoint | None,
        seen: dict[str, tuple[Message, float]],
        refused: dict[str, str],
        why: str,
    ) -> Probed:
        if point is None:
            return _not_read(tag, f"no such tag on endpoint {self._endpoint.name}", {})
        detail: dict[str, Any] = {"topic": point.topic, "pointer": point.pointer}
        if point.topic in refused:
            return _not_read(tag, f"the broker refused the subscription: {refused[point.topic]}", detail)
        if point.topic not in seen:
            silence = f"no message within {self._endpoint.timeout:g} s; does the device publish on {point.topic}?"
            return _not_read(tag, why or silence, detail)
        message, waited = seen[point.topic]
        (reading,) = TopicDecoder([point], self._endpoint.time_uncertainty).readings(message)
        detail |= {
            "received": datetime.fromtimestamp(message.received, UTC).isoformat(),
            "time": datetime.fromtimestamp(reading.time, UTC).isoformat(),
            "time_uncertainty": reading.time_uncertainty,
            RETAINED: message.retained,
            "waited": waited,
        }
        raw = message.payload[:_RAW].decode(errors="replace") + ("…" if len(message.payload) > _RAW else "")
        # nothing was asked, so there was no round trip
        return Probed(tag, raw, reading.value, "", reading.quality.word, reading.reason, math.nan, detail)


def _not_read(tag: str, reason: str, detail: dict[str, Any]) -> Probed:
    return Probed(tag, "", math.nan, "", "bad", reason, 0.0, detail)
