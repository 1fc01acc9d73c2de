"""Moments and metres of one run: when an event of a scenario file begins and ends, and where on the cable it lies."""

from collections.abc import Mapping

import numpy as np

from metrepost.configuration.faults import Place
from metrepost.readings.units import Extent

from .line_file import LineFile
from .scenario_speeds import LATEST, moment, speeds_of, time_of
from .scenario_tables import AnyEvent, ConductorTable, EventTable, RunTable, SeriesTable


class Moments:
    """Turns `at` and `for` into seconds and metres; what cannot be is reported at its key.

    `speeds` is the profile with its stops. `core` is the line file of the core line, whose stations are meant.
    """

    def __init__(self, events: Mapping[str, AnyEvent], run: RunTable, core: LineFile, place: Place) -> None:
        self.speeds = speeds_of(events, run, place)
        self._motion = self.speeds.motion
        self._run = run
        self._core = core
        self._place = place

    def _ahead(self, station: str) -> float:
        return self._core.reference - self._core.place(station).position

    def metre(self, station: str, t: float) -> float:
        """Metre in front of a station at `t`."""
        return float(self._motion.counter(np.array([t]))[0]) + self._ahead(station)

    def begin(self, name: str, event: EventTable, station: str = "capstan") -> float | None:
        """When an event begins, s; a metre means the cable in front of `station`. None, with a fault reported, when never."""
        at = moment(event, self._motion, self._run, self._ahead(station))
        if at is None:
            self._place.fault(("event", name, "at"), self._never(event, station))
        return at

    def _never(self, event: EventTable, station: str) -> str:
        first = self.metre(station, 0.0)
        if event.at.is_length and event.at.metres < first:
            return f"metre {event.at.metres:g} has passed at the start, when metre {first:g} stands in front of the {station}"
        return LATEST

    def end(self, name: str, at: float, lasts: Extent) -> float | None:
        """When something that begins at `at` is over; None, with a fault reported, when the run ends before."""
        if not lasts.is_length:
            return at + lasts.seconds
        end = time_of(self.metre("capstan", at) + lasts.metres, self._motion, self._run)
        if end is None:
            self._place.fault(("event", name, "for"), LATEST)
        return end

    def span(self, name: str, event: EventTable, lasts: Extent, station: str = "capstan") -> tuple[float, float] | None:
        """Beginning and end of an event, s; None, with a fault reported, when it has none within the run."""
        at = self.begin(name, event, station)
        until = None if at is None else self.end(name, at, lasts)
        return None if at is None or until is None else (at, until)

    def metres(self, name: str, event: SeriesTable | ConductorTable, station: str) -> list[float]:
        """Where something lies on the cable; a time means the moment at which it passes the station."""
        at = self.begin(name, event, station)
        if at is None:
            return []
        first = event.at.metres if event.at.is_length else self.metre(station, at)
        if isinstance(event, ConductorTable) or event.every is None:
            return [first]
        return [first + n * event.every for n in range(event.count)]
