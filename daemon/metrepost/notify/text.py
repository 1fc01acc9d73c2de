"""What stands on the lock screen: a title of at most 60 characters and a body of at most 400. Pure.

First what and where, then since when and how far off, then when it reaches the take-up, then what to do, then why.
"""

from collections.abc import Sequence
from datetime import datetime, tzinfo

from ..events import AlarmEvent

TITLE = 60
BODY = 400


def clipped(text: str, room: int) -> str:
    """`text` on one line, cut at `room` characters with an ellipsis."""
    text = " ".join(text.split())
    if len(text) <= room:
        return text
    return text[: max(0, room - 1)].rstrip() + "…" if room > 0 else ""


def clock_time(moment: float | str, zone: tzinfo | None) -> str:
    """A moment (seconds since 1970, or RFC 3339) as ``08:15:00`` in `zone`; None is the zone of the machine.

    Text that is no time is given back as it is: a message must never fail for its clock.
    """
    if isinstance(moment, str):
        try:
            when = datetime.fromisoformat(moment)
        except ValueError:
            return moment
    else:
        when = datetime.fromtimestamp(moment, zone)
    return when.astimezone(zone).strftime("%H:%M:%S")


def line_name(source: str) -> str:
    """The line of a CloudEvents source: ``core-3`` of ``/northmere/extrusion/core-3``."""
    return source.rstrip("/").rpartition("/")[2] or source


def number(value: float, unit: str) -> str:
    """A value for people: as many digits as a gauge has, and its unit."""
    digits = 3 if unit == "mm" else 2 if abs(value) < 100 else 1
    plain = f"{value:.{digits}f}"
    if unit != "mm" and "." in plain:
        plain = plain.rstrip("0").rstrip(".")
    return f"{plain} {unit}".rstrip()


def where(event: AlarmEvent, station: str) -> str:
    """``cold-gauge, metre 1234.5``: where along the cable, and which station saw it."""
    parts = [station] if station else []
    if event.start is not None and event.end is not None and event.end - event.start >= 0.05:
        parts.append(f"metres {event.start:.1f} to {event.end:.1f}")
    elif event.metre is not None:
        parts.append(f"metre {event.metre:.1f}")
    return ", ".join(parts)


def against(event: AlarmEvent) -> str:
    """``4.862 mm, limit 4.850 mm``; "" when there is no value."""
    if event.value is None:
        return ""
    value = number(event.value, event.unit)
    quality = "" if event.quality == "good" else f" ({event.quality})"
    limit = f", limit {number(event.bound, event.unit)}" if event.bound is not None else ""
    return f"{value}{quality}{limit}"


def fitted(lines: Sequence[str]) -> str:
    """The lines that are not empty, cut to `BODY` characters: the last ones give way first."""
    kept: list[str] = []
    room = BODY
    for line in lines:
        if not line:
            continue
        piece = clipped(line, room)
        # a few letters of a sentence help nobody
        if len(piece) < min(len(line), 12):
            break
        kept.append(piece)
        room -= len(piece) + 1
    return "\n".join(kept)


def again(repeats: int, when: str) -> str:
    """How often it was raised without a message of its own; "" for never."""
    if not repeats:
        return ""
    return f"Raised once more {when}" if repeats == 1 else f"Raised {repeats} more times {when}"


def raised_title(event: AlarmEvent, source: str) -> str:
    """``HIGH core-3: cold-diameter.high``."""
    return clipped(f"{event.priority.upper()} {line_name(source)}: {event.alarm}", TITLE)


def raised_body(event: AlarmEvent, onset: float, source: str, station: str, repeats: int, zone: tzinfo | None) -> str:
    """The body of an alarm that was raised. `repeats` counts raises that were held back since the last message."""
    verdict = f" ({event.verdict})" if event.verdict and event.verdict != event.limit else ""
    place = where(event, station)
    since = f"Since {clock_time(onset, zone)}"
    value = against(event)
    within = f" (within {event.respond_within})" if event.respond_within else ""
    return fitted(
        [
            f"{event.alarm}{verdict} on line {line_name(source)}" + (f", {place}" if place else ""),
            f"{since}: {value}" if value else since,
            f"At the take-up {clock_time(event.takes_up_at, zone)}" if event.takes_up_at else "",
            again(repeats, "since the last message"),
            f"Do{within}: {event.response}" if event.response else event.explanation,
            f"Cause: {event.cause}" if event.cause else "",
        ]
    )


def returned_title(event: AlarmEvent, source: str) -> str:
    """``OVER core-3: cold-diameter.high``."""
    return clipped(f"OVER {line_name(source)}: {event.alarm}", TITLE)


def returned_body(
    event: AlarmEvent, at: float, onset: float, source: str, station: str, repeats: int, zone: tzinfo | None
) -> str:
    """The body of an alarm that returned to normal at `at`."""
    place = where(event, station)
    latched = event.state.startswith("latched")
    return fitted(
        [
            f"{event.alarm} on line {line_name(source)} returned to normal" + (f", {place}" if place else ""),
            f"Since {clock_time(onset, zone)}, over {clock_time(at, zone)}",
            again(repeats, "meanwhile"),
            "Latched: it stays listed until it is reset" if latched else "",
        ]
    )


def flood_title(count: int, source: str) -> str:
    """``FLOOD core-3: 11 alarms``."""
    return clipped(f"FLOOD {line_name(source)}: {count} alarms", TITLE)


def flood_body(count: int, window: float, first: str, top: Sequence[tuple[AlarmEvent, int]], source: str) -> str:
    """One message instead of many: how many, which came first (often the cause), the top alarms with what to do."""
    lines = [f"{count} alarms on line {line_name(source)} in {window / 60:g} min; first was {first}"]
    lines.append("Until it is over only critical alarms are sent one by one")
    for event, times in top:
        often = f" ({times} times)" if times > 1 else ""
        place = where(event, "")
        lines.append(f"{event.priority} {event.alarm}{often}" + (f", {place}" if place else ""))
    return fitted(lines)


def flood_over_title(count: int, source: str) -> str:
    """``FLOOD OVER core-3: 42 alarms``."""
    return clipped(f"FLOOD OVER {line_name(source)}: {count} alarms", TITLE)


def flood_over_body(count: int, began: float, still: Sequence[AlarmEvent], source: str, zone: tzinfo | None) -> str:
    """How many alarms it was, and which of them are still there."""
    lines = [f"Flood over on line {line_name(source)}, {count} alarms since {clock_time(began, zone)}"]
    if still:
        lines.append(f"Still active, not acknowledged: {len(still)}")
        lines += [f"{event.priority} {event.alarm}" for event in still]
    else:
        lines.append("None of them is active and unacknowledged now")
    return fitted(lines)
