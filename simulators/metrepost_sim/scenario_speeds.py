"""The speed profile of a scenario file: each stop and each change of speed at its moment, which the ones ahead of it move."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from metrepost.configuration.faults import Place

from .motion import Motion, SpeedPoint
from .scenario import Stop
from .scenario_tables import EventTable, RunTable, SpeedTable, StopTable

SLOW_DOWN, HARD, SPEED_UP = 12.0, 2.0, 24.0
"""Seconds of a stop's ramps: down, down in an emergency, and up again."""
LATEST = "the run ends before that; make duration in [run] longer"


@dataclass(frozen=True)
class Speeds:
    """A profile with its stops."""

    points: tuple[SpeedPoint, ...]
    stops: tuple[Stop, ...]
    motion: Motion


def _motion(points: list[SpeedPoint], run: RunTable) -> Motion:
    return Motion(tuple(points), run.counter_start, run.duration, run.speed * 60.0)


def moment(event: EventTable, motion: Motion, run: RunTable, ahead: float = 0.0) -> float | None:
    """When an event begins (s); a metre means the cable in front of a station `ahead` metres over the counter. None: never."""
    if not event.at.is_length:
        return event.at.seconds if event.at.seconds <= run.duration else None
    return time_of(event.at.metres, motion, run, ahead)


def time_of(metre: float, motion: Motion, run: RunTable, ahead: float = 0.0) -> float | None:
    """When a metre stands in front of a station; None when that is before the start or after the end."""
    counter = metre - ahead
    if not run.counter_start <= counter <= float(motion.counter(np.array([run.duration]))[0]):
        return None
    return max(0.0, motion.time_of(counter))


def speeds_of(events: Mapping[str, EventTable], run: RunTable, place: Place) -> Speeds:
    """The profile of all stops and changes of speed; what cannot be is reported at its place."""
    pending = {name: event for name, event in events.items() if isinstance(event, StopTable | SpeedTable)}
    points = [SpeedPoint(0.0, run.speed * 60.0)]
    stops: list[Stop] = []
    speed, free = run.speed * 60.0, 0.0
    while pending:
        motion = _motion(points, run)
        begins = {name: moment(event, motion, run) for name, event in pending.items()}
        for name in [name for name, at in begins.items() if at is None]:
            place.fault(("event", name, "at"), _never(pending.pop(name), run))
        due = sorted((at, name) for name, at in begins.items() if at is not None)
        if not due:
            break
        at, name = due[0]
        event = pending.pop(name)
        if at < free:
            place.fault(
                ("event", name, "at"),
                f"the change of speed ahead of it has not ended: it begins at {at:.1f} s, and that one ends at {free:.1f} s",
            )
            continue
        if isinstance(event, StopTable):
            down = HARD if event.emergency else SLOW_DOWN
            if event.for_ <= down:
                place.fault(("event", name, "for"), f"the line takes {down:g} s to come to rest; for is longer than that")
                continue
            stops.append(Stop(at, at + event.for_, event.emergency))
            corners = [(at, speed), (at + down, 0.0), (at + event.for_, 0.0), (at + event.for_ + SPEED_UP, speed)]
        else:
            corners = [(at, speed), (at + event.over, event.to * 60.0)]
            speed = event.to * 60.0
        points += [SpeedPoint(t, v) for t, v in corners if t > points[-1].at]
        free = corners[-1][0]
    return Speeds(tuple(points), tuple(stops), _motion(points, run))


def _never(event: EventTable, run: RunTable) -> str:
    if event.at.is_length and event.at.metres < run.counter_start:
        return f"metre {event.at.metres:g} has passed at the start, where the counter reads {run.counter_start:g} m"
    return LATEST
