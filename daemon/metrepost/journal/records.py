"""What goes into the journal, and the rows that come out of it."""

from typing import Any

import msgspec

from ..events import AlarmState, Event, ReelState, RollupOut
from ..publish import topics
from ..publish.cloudevents import Stream


class Snapshot(msgspec.Struct, frozen=True):
    """State of the core by name, for a restart. The latest one of a name counts."""

    name: str
    data: bytes


class Present(msgspec.Struct, frozen=True):
    """Any other present state, such as ``load``: a retained topic below the root, and its whole payload."""

    topic: str
    data: Any


Item = Event | RollupOut | AlarmState | ReelState | Present | Snapshot


class Row(msgspec.Struct, frozen=True):
    """One numbered row. `topic` is below the root; `payload` is the whole CloudEvent, byte for byte as it is published."""

    stream: Stream
    epoch: str
    sequence: int
    time: float
    topic: str
    payload: bytes


class PresentState(msgspec.Struct, frozen=True):
    """The latest payload of a retained topic. `version` grows with every change; b"" means that the topic is to be cleared."""

    topic: str
    payload: bytes
    version: int


_encode = msgspec.json.Encoder().encode


def present(item: AlarmState | ReelState | Present) -> tuple[str, bytes]:
    """Topic and payload of a present state."""
    match item:
        case AlarmState():
            return topics.alarm(item), _encode(item)
        case ReelState():
            return topics.reel(item), _encode(item.data)
        case Present():
            return item.topic, _encode(item.data)
