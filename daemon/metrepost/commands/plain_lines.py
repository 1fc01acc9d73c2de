"""Events as plain lines: what the view writes where there is no terminal to draw on."""

from datetime import tzinfo

from ..events import (
    AlarmEvent,
    ClockEvent,
    ConfigurationEvent,
    CounterEvent,
    CutEvent,
    DropEvent,
    EndpointEvent,
    Event,
    EventData,
    FlawEvent,
    LineEvent,
    LoadEvent,
    LossEvent,
    NoteEvent,
    Piece,
    ReclassifiedEvent,
    SampleEvent,
    SparkEvent,
    StretchEvent,
)
from ..notify.text import clock_time, number


def plain_line(event: Event, zone: tzinfo | None = None) -> str:
    """One event as one line: when, how pressing, what, where, and why or what to do."""
    data = event.data
    what, why = _in_words(data)
    return "  ".join(part for part in (clock_time(event.time, zone), what, _where(data), why) if part)


def _where(data: object) -> str:
    if isinstance(data, Piece):
        if data.metre is not None:
            return f"metre {data.metre:.1f}"
        if data.start is not None and data.end is not None:
            return f"metres {data.start:.1f} to {data.end:.1f}"
    return ""


def _in_words(data: EventData) -> tuple[str, str]:
    match data:
        case AlarmEvent():
            value = f"{number(data.value, data.unit)}" if data.value is not None else ""
            if value and data.bound is not None:
                value += f" (limit {number(data.bound, data.unit)})"
            by = f"by {data.by}" if data.by else ""
            do = f"do: {data.response}" if data.transition == "raised" and data.response else data.reason
            trial = "trial" if data.trial else ""
            said = f"{data.priority.upper()} {data.alarm} {data.transition.replace('_', ' ')}"
            return said, "  ".join(part for part in (trial, value, by, do) if part)
        case FlawEvent():
            return f"{data.verdict} {number(data.height, data.unit)} at {data.station}", data.explanation
        case DropEvent():
            return f"drop {number(data.height, data.unit)} at {data.station}, held back", data.explanation
        case ReclassifiedEvent():
            return f"reclassified {len(data.pieces)} drops at {data.station}", data.explanation
        case SparkEvent():
            return f"spark faults: {data.faults}", f"reel {data.expected_reel}" if data.expected_reel else ""
        case CutEvent():
            return f"cut, end of reel {data.reel}", f"next reel {data.next_reel}" if data.next_reel else ""
        case StretchEvent():
            return f"{data.mark} stretch, {data.cause.replace('_', ' ')}", data.explanation
        case LineEvent():
            return f"line {data.state}, was {data.previous}", data.product
        case EndpointEvent():
            return f"endpoint {data.endpoint} {'up' if data.up else 'DOWN'}", data.reason
        case CounterEvent():
            return f"length counter {data.what}: {data.before:g} to {data.after:g}", data.explanation
        case LossEvent():
            return f"{data.count} {data.stream}s lost", data.reason
        case LoadEvent():
            return f"alarm flood {'began' if data.began else 'is over'}: {data.alarms} alarms", data.explanation
        case NoteEvent():
            return f"note by {data.by}", data.text
        case SampleEvent():
            return f"sample: {data.what} {number(data.value, data.unit)}", f"reel {data.reel}" if data.reel else ""
        case ConfigurationEvent():
            return f"configuration {data.what}", data.explanation
        case ClockEvent():
            return f"the wall clock was stepped by {data.step:+.1f} s", data.explanation
