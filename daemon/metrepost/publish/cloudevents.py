"""CloudEvents 1.0 in structured JSON mode: the envelope of every numbered row (pure).

Specification: CloudEvents 1.0.2 and its JSON format, https://github.com/cloudevents/spec. `sequence` is the extension attribute
of the same name; its digits also stand in `id`, so that equal ids mean equal rows and sorting ids sorts rows of one epoch.
"""

from typing import Annotated, Any, Literal

import msgspec

from ..events import EVENT_KINDS, Event, EventData, Rollup, RollupOut
from ..readings.moment import rfc3339

Stream = Literal["event", "rollup"]
STREAMS: tuple[Stream, Stream] = ("event", "rollup")
CONTENT_TYPE = "application/cloudevents+json"
DIGITS = 20
"""Digits of a sequence: enough for any 64-bit number."""


class Envelope(msgspec.Struct, frozen=True, kw_only=True):
    """One CloudEvent as it goes on the wire. `data` is the event or rollup itself."""

    specversion: Literal["1.0"] = "1.0"
    id: Annotated[str, msgspec.Meta(pattern=r"^(event|rollup)-[a-z2-7]{12}-[0-9]{20}$")]
    source: Annotated[str, msgspec.Meta(min_length=1, extra_json_schema={"format": "uri-reference"})]
    type: Annotated[str, msgspec.Meta(pattern=r"^metrepost\.[a-z_]+\.v1$")]
    time: Annotated[str, msgspec.Meta(extra_json_schema={"format": "date-time"})]
    sequence: Annotated[str, msgspec.Meta(pattern=r"^[0-9]{20}$")]
    datacontenttype: Literal["application/json"] = "application/json"
    data: Any


_encode = msgspec.json.Encoder().encode


def digits(sequence: int) -> str:
    """`sequence` as the 20 digits used in ids and in the `sequence` attribute."""
    return f"{sequence:0{DIGITS}d}"


def event_id(stream: Stream, epoch: str, sequence: int) -> str:
    """The CloudEvents id of a row."""
    return f"{stream}-{epoch}-{digits(sequence)}"


def event_type(what: str) -> str:
    """The CloudEvents type of an event kind, or of ``rollup``."""
    return f"metrepost.{what}.v1"


def envelope(item: Event | RollupOut, stream: Stream, epoch: str, sequence: int, source: str) -> bytes:
    """The whole CloudEvent as JSON bytes. `source` is ``/plant/area/line``. Numbers that are not finite become null."""
    what = item.data.kind if isinstance(item, Event) else "rollup"
    return _encode(
        Envelope(
            id=event_id(stream, epoch, sequence),
            source=source,
            type=event_type(what),
            time=rfc3339(item.time),
            sequence=digits(sequence),
            data=item.data,
        )
    )


class _Received(msgspec.Struct):
    type: str
    data: msgspec.Raw


_received = msgspec.json.Decoder(_Received)
_by_type = {event_type(kind.kind): msgspec.json.Decoder(kind) for kind in EVENT_KINDS}


_rollup = msgspec.json.Decoder(Rollup)


def decode_rollup(payload: bytes) -> Rollup:
    """The rollup in a CloudEvent of ours."""
    return _rollup.decode(_received.decode(payload).data)


def decode_event(payload: bytes) -> EventData | None:
    """The event in a CloudEvent of ours; None for a kind that this version does not know."""
    found = _received.decode(payload)
    decoder = _by_type.get(found.type)
    if decoder is None:
        return None
    event: EventData = decoder.decode(found.data)
    return event
