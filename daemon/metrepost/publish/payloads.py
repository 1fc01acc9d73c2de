"""Payloads that are no CloudEvents: the retained `state` and the readings (pure)."""

from typing import Annotated

import msgspec

from ..readings import Measured, Tag
from ..readings.moment import rfc3339

Moment = Annotated[str, msgspec.Meta(extra_json_schema={"format": "date-time"})]
"""RFC 3339, UTC."""
_encode = msgspec.json.Encoder().encode


class EndpointHealth(msgspec.Struct, frozen=True, kw_only=True):
    """Health of one endpoint, as `state` tells it."""

    up: bool
    since: str = ""
    reason: str = ""
    failures: int = 0
    reconnects: int = 0
    missed_deadlines: int = 0


class StatePayload(msgspec.Struct, frozen=True, kw_only=True):
    """Retained payload of `state`. The will of the connection is the same payload with `online` false.

    `delivered`, `unheard` (acknowledged by the broker, but nobody subscribed: PUBACK reason 0x10), `refused` and
    `dropped_readings` count since the start of the daemon; `backlog` is what waits by stream; `lost` counts rows that were
    declared lost. `dropped` is what other parts had to drop, by name.
    """

    online: bool
    version: str
    since: Moment
    time: Moment
    line_state: str = ""
    product: str = ""
    endpoints: dict[str, EndpointHealth] = {}
    epoch: str = ""
    delivered: int = 0
    unheard: int = 0
    refused: int = 0
    lost: int = 0
    backlog: dict[str, int] = {}
    dropped_readings: int = 0
    dropped: dict[str, int] = {}


class ReadingPayload(msgspec.Struct, frozen=True, kw_only=True):
    """Payload of ``reading/<station>/<tag>``, QoS 0. `n` counts from 1 at each start of the daemon: a hole in it is a loss.

    `metre`, `from`, `to` and `metre_uncertainty` are metres of cable; the value is null when there is none. `uncertainty` is the
    standard uncertainty of the value (k = 1) in `unit`, null when it is not stated.
    """

    n: int
    time: Moment
    value: float | None
    unit: str
    quality: str
    reason: str = ""
    metre: float | None = None
    start: float | None = msgspec.field(default=None, name="from")
    end: float | None = msgspec.field(default=None, name="to")
    metre_uncertainty: float | None = None
    uncertainty: float | None = None


def encode_state(state: StatePayload) -> bytes:
    """JSON bytes of the state."""
    return _encode(state)


def encode_reading(n: int, m: Measured, tag: Tag) -> bytes:
    """JSON bytes of a reading. A value that is not finite becomes null."""
    return _encode(
        ReadingPayload(
            n=n,
            time=rfc3339(m.time),
            value=m.value,
            unit=tag.ucum,
            quality=m.quality.word,
            reason=m.reason,
            metre=m.metre,
            start=m.start,
            end=m.end,
            metre_uncertainty=m.uncertainty,
            uncertainty=m.value_uncertainty,
        )
    )
