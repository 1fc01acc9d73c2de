"""Events, rollups and states of an invented line, to fill journals with."""

import time

from metrepost.events import AlarmEvent, AlarmState, Event, NoteEvent, ReelState, ReelSummary, Rollup, RollupOut
from metrepost.readings import GOOD, Measured, Quality, Tag
from metrepost.readings.moment import rfc3339

SOURCE = "/northmere/extrusion/core-3"
ROOT = "metrepost/v1/northmere/extrusion/core-3/"
T0 = 1_800_000_000.0


class WallClock:
    """Line time for tests: the wall clock."""

    def line_time(self) -> float:
        return time.time()

    def monotonic(self) -> float:
        return time.monotonic()


def note(text: str = "wipe changed", when: float = T0) -> Event:
    return Event(when, NoteEvent(text=text, by="operator", decided=rfc3339(when), metre=1204.5))


def alarm_event(when: float = T0, rule: str = "cold-lump") -> Event:
    return Event(
        when,
        AlarmEvent(
            alarm=f"{rule}.lump",
            rule=rule,
            limit="lump",
            class_="product",
            priority="high",
            severity=700,
            transition="raised",
            state="unacknowledged",
            previous="normal",
            onset=rfc3339(when),
            decided=rfc3339(when + 1),
            value=0.11,
            bound=0.06,
            unit="mm",
            metre=1204.5,
            metre_uncertainty=0.08,
            start=1204.4,
            end=1204.6,
            peak=1204.52,
        ),
    )


def rollup(n: int = 500, when: float = T0, tag: str = "diameter", span: str = "10s") -> RollupOut:
    return RollupOut(
        when,
        Rollup(
            span=span,
            station="cold-gauge",
            tag=tag,
            unit="mm",
            opened=rfc3339(when),
            closed=rfc3339(when + 10),
            start=100.0,
            end=113.0,
            n=n,
            metres_good=13.0,
            metres_uncertain=0.0,
            metres_bad=0.0,
            metres_left_out=0.0,
            min=4.79,
            max=4.81,
            mean=4.8,
            sd=0.003,
            first=4.8,
            last=4.801,
        ),
    )


def alarm_state(rule: str = "cold-lump", state: str = "unacknowledged", value: float = 0.11) -> AlarmState:
    return AlarmState(
        alarm=f"{rule}.lump",
        rule=rule,
        limit="lump",
        class_="product",
        priority="high",
        severity=700,
        state=state,  # type: ignore[arg-type]
        active=state == "unacknowledged",
        since=rfc3339(T0),
        value=value,
        bound=0.06,
        unit="mm",
        metre=1204.5,
    )


def reel_state(which: str = "current", length: float = 840.0) -> ReelState:
    return ReelState(
        which,  # type: ignore[arg-type]
        ReelSummary(reel="7", product="K75-480", start=0.0, end=length, length=length, uncertainty=0.1, closed=False),
    )


def tag(name: str = "cold-gauge.x", **settings: float) -> Tag:
    return Tag(name=name, station=name.partition(".")[0], unit="mm", ucum="mm", **settings)  # type: ignore[arg-type]


def measured(
    name: str = "cold-gauge.x", value: float = 4.8, when: float = T0, quality: Quality = GOOD, reason: str = ""
) -> Measured:
    return Measured(name, when, value, quality, reason, 100.0, 99.99, 100.01, 0.05, True, 1.33)
