"""What an upstream station has seen, kept by metre until the cable is at the station that asks."""

from bisect import bisect_right

from ..readings import Measured

KEPT = 40_000
"""Readings kept for one input, at most: at 0.1 s and 80 m/min more than 5 km of cable."""

AWAY = 256
"""Readings forgotten that may still take room: beyond that, no more than those that are kept (taking them out one by one costs more)."""

GRAIN = 0.001
"""Readings of a tag that stand for places closer than this (metres) are of one place: a line that stands is looked at for hours."""


def centre(m: Measured) -> float:
    """The middle of the piece that a reading stands for; of an instant one its metre."""
    return 0.5 * (m.start + m.end)


class Seen:
    """The readings of one upstream tag in order of their metre. `first` is the lowest metre ever looked at, None before any."""

    __slots__ = ("_from", "_held", "_metres", "_pieces", "first")

    def __init__(self, *, held: bool) -> None:
        # two lists beside each other, with a moving beginning: bisect needs random access, which a deque has not
        self._metres: list[float] = []
        self._pieces: list[Measured] = []
        self._from = 0
        self._held = held
        self.first: float | None = None

    def add(self, m: Measured) -> None:
        """Keep a reading. Of several at one place the first of the best quality is kept; of a `held` tag, the last."""
        metre = centre(m)
        metres, pieces = self._metres, self._pieces
        if self.first is None or m.start < self.first:
            self.first = m.start
        if not metres or metre > metres[-1] + GRAIN:
            metres.append(metre)
            pieces.append(m)
        elif metre >= metres[-1] - GRAIN:
            if self._held or m.quality < pieces[-1].quality:
                pieces[-1] = m
        else:  # the line ran backwards, or the reading came late
            at = bisect_right(metres, metre, self._from)
            metres.insert(at, metre)
            pieces.insert(at, m)
        if len(metres) - self._from > KEPT:
            self._from += 1
        if self._from > max(AWAY, len(metres) - self._from):
            del metres[: self._from], pieces[: self._from]
            self._from = 0

    def forget(self, before: float) -> None:
        """What lies before a metre is not asked for again. Of a held tag the value that stands there is kept."""
        metres, start = self._metres, self._from
        end = len(metres) - 1 if self._held else len(metres)
        while start < end and (metres[start + 1] if self._held else self._pieces[start].end) < before:
            start += 1
        self._from = start

    def at(self, metre: float, within: float) -> Measured | None:
        """The reading whose piece lies nearest to a metre, if its middle is no further off than its length and `within`.

        Of a held tag: the value that stood there.
        """
        metres, pieces = self._metres, self._pieces
        if self._held:
            index = bisect_right(metres, metre + within, self._from) - 1
            return pieces[index] if index >= self._from else None
        index = bisect_right(metres, metre, self._from)
        best: Measured | None = None
        off = 0.0
        if index > self._from:
            best, off = pieces[index - 1], metre - metres[index - 1]
        if index < len(metres) and (best is None or metres[index] - metre < off):
            best, off = pieces[index], metres[index] - metre
        if best is None or off > within + (best.end - best.start):
            return None
        return best
