"""Which piece of cable a reading stands for, and whether it was really looked at (coverage)."""

import math
from collections.abc import Mapping

from ..readings import BAD, Measured, Reading, Tag
from .axis import LengthAxis
from .plan import Station


class Placer:
    """Ties readings to the cable: `place(reading)` gives the same reading as a `Measured`.

    A reading stands for ``[metre at the start of its hold, metre now]`` widened by the aperture. A since-read register holds from
    the previous read, answered or lost; a lost answer may have cleared it, so the lost piece is covered by nothing.
    """

    def __init__(self, tags: Mapping[str, Tag], stations: Mapping[str, Station], axis: LengthAxis | None) -> None:
        self._axis = axis
        reference = axis.plan.reference if axis is not None else 0.0
        self._facts = {
            name: (tag, reference - stations[tag.station].position, stations[tag.station].aperture / 2)
            for name, tag in tags.items()
        }
        self._previous: dict[str, tuple[float, float]] = {}  # tag: (time, metre) of the previous read

    def offset(self, tag: str) -> float:
        """Metres to add to the length at the reference for this tag's station."""
        return self._facts[tag][1]

    def place(self, reading: Reading) -> Measured:
        """Tie one reading to the cable. Raises KeyError for a tag the line does not have."""
        tag, offset, half = self._facts[reading.tag]
        quality, reason, value = reading.quality, reading.reason, reading.value
        if quality is not BAD:
            if not math.isfinite(value):
                quality, reason = BAD, "not a number"
            elif not tag.valid_low <= value <= tag.valid_high:
                quality, reason = BAD, "range"
        axis = self._axis
        if axis is None or not axis.ready:
            return Measured(
                reading.tag,
                reading.time,
                value,
                quality,
                reason,
                0.0,
                0.0,
                0.0,
                math.inf,
                covered=False,
                speed=0.0,
                value_uncertainty=tag.uncertainty,
            )
        place = axis.place(reading.time, reading.time_uncertainty)
        metre = place.length + offset
        begin = metre
        covered = quality is not BAD
        if tag.since_read:
            previous = self._previous.get(reading.tag)
            if previous is None or previous[0] > reading.time:
                covered = False
            else:
                begin = previous[1]
        elif tag.window > 0.0:
            begin = axis.place(reading.time - tag.window).length + offset
        # the register was cleared somewhere between question and answer: the next piece begins at the earliest of it
        self._previous[reading.tag] = (reading.time, metre - abs(place.speed) * reading.time_uncertainty)
        low, high = (begin, metre) if begin <= metre else (metre, begin)
        return Measured(
            reading.tag,
            reading.time,
            value,
            quality,
            reason,
            metre,
            low - half,
            high + half,
            place.uncertainty,
            covered,
            place.speed,
            tag.uncertainty,
        )

    def take_over(self, before: "Placer") -> None:
        """Go on from the placer of the files as they were, for tags that are the same and at the same place."""
        for name, previous in before._previous.items():
            if name in self._facts and self._facts[name] == before._facts[name]:
                self._previous[name] = previous

    def forget(self) -> None:
        """After a restart nothing is known of the previous reads."""
        self._previous.clear()
