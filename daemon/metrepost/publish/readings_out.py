"""Readings to QoS 0: sent on change, numbered so that loss can be counted, dropped rather than kept when the way is blocked."""

from collections import deque
from collections.abc import Callable, Mapping

from ..readings import Measured, Tag
from . import topics
from .change_filter import ChangeFilter
from .payloads import encode_reading

Send = Callable[[str, bytes], bool]
"""Hands a topic (below the root) and payload to the connection; False when it could not take it."""


class _Out:
    __slots__ = ("filter", "n", "tag", "topic")

    def __init__(self, tag: Tag) -> None:
        self.filter = ChangeFilter(tag)
        self.tag = tag
        self.topic = topics.reading(tag.station, tag.name)
        self.n = 0


class ReadingsOut:
    """The way of readings to the broker. `n` counts what passed the change filter, sent or not: a hole tells of a drop.

    While the socket is congested up to `room` readings wait, the oldest dropped first; without a connection none do.
    """

    def __init__(self, tags: Mapping[str, Tag], room: int = 1000) -> None:
        self._tags = {name: _Out(tag) for name, tag in tags.items()}
        self._waiting: deque[tuple[str, bytes]] = deque()
        self._room = room
        self._send: Send | None = None
        self._congested: Callable[[], bool] = lambda: False
        self.sent = 0
        self.dropped = 0

    def retag(self, tags: Mapping[str, Tag]) -> None:
        """Other tags from now on; one that is as before goes on counting."""
        self._tags = {
            name: self._tags[name] if name in self._tags and self._tags[name].tag == tag else _Out(tag)
            for name, tag in tags.items()
        }

    def offer(self, m: Measured) -> None:
        """Send `m` if it changed. Never blocks, never raises; a tag that is not known is counted as dropped."""
        out = self._tags.get(m.tag)
        if out is None:
            self.dropped += 1
            return
        if not out.filter.passes(m):
            return
        out.n += 1
        if self._send is None:
            self.dropped += 1
            return
        payload = encode_reading(out.n, m, out.tag)
        if self._waiting or self._congested():
            if len(self._waiting) >= self._room:
                self._waiting.popleft()
                self.dropped += 1
            self._waiting.append((out.topic, payload))
        else:
            self._hand_over(out.topic, payload)

    def connected(self, send: Send, congested: Callable[[], bool]) -> None:
        """There is a connection."""
        self._send, self._congested = send, congested

    def disconnected(self) -> None:
        """There is none; what waited is old by the time there is one again, and is dropped."""
        self._send = None
        self.dropped += len(self._waiting)
        self._waiting.clear()

    def room(self) -> None:
        """The socket takes bytes again."""
        while self._waiting and self._send is not None and not self._congested():
            self._hand_over(*self._waiting.popleft())

    def _hand_over(self, topic: str, payload: bytes) -> None:
        if self._send is not None and self._send(topic, payload):
            self.sent += 1
        else:
            self.dropped += 1
