"""The witness: what another gauge saw on the same metres.

Suppression needs positive evidence. Whatever is missing (no reading, bad quality, a hole in coverage, a frozen gauge, a broken
length axis, too fast a line) is said and means that there is no witness.
"""

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import msgspec

from ..readings import GOOD, Hold, Measured
from .baseline import Baseline

FROZEN = 10
"""A run of this many equal readings is a frozen gauge: it lacks its own noise."""

LOCAL = 0.7
"""Metres on each side of the window over which the witness's own level and spread are taken."""

SPREADS = 3.0
"""Standard deviations of the witness that are taken off the threshold."""

LEAST = 8
"""Readings beside a window that give a level and a spread, at least."""

PLACE = 0.001
"""Readings that end within this many metres are of one place."""

AT_ONE_PLACE = 32
"""Readings of one place that are kept apart: enough to see that a gauge is frozen."""

TOUCH = 1e-6
"""Pieces that end and begin within this many metres touch."""


class Seen(msgspec.Struct, frozen=True):
    """What one witness tag can say of a piece.

    `rise` is its largest rise there over its own baseline, or over its level on both sides if that is lower: a lump in the trough
    of a screw's or a wheel's print must not look smaller than it is. `spread` is its robust standard deviation beside the piece.
    """

    rise: float
    spread: float
    metre: float
    speed: float
    first_time: float
    doubt: str = ""
    trace: list[list[float]] = []


class WitnessTag:
    """Ring of one witness tag's pieces over the last `reach` metres, with the rise of each over the tag's own baseline."""

    def __init__(self, tag: str, baseline: float, reach: float, *, instant: bool) -> None:
        self.tag = tag
        self._baseline = Baseline(baseline)
        self._reach = reach
        self._instant = instant
        self._ends: list[float] = []
        self._starts: list[float] = []
        self._rises: list[float] = []  # NaN: bad or uncertain
        self._values: list[float] = []
        self._times: list[float] = []
        self._speeds: list[float] = []
        self._covered: list[bool] = []
        self._head = 0

    def add(self, m: Measured, *, hold: bool) -> None:
        """Take a reading in; `hold` leaves the baseline as it is (the line is not producing)."""
        if self._ends and m.end < self._ends[-1]:
            # reverse motion: what was seen beyond here is seen again
            index = bisect_left(self._ends, m.end, self._head)
            for ring in self._rings():
                del ring[index:]
        good = m.quality is GOOD
        unknown = self._baseline.level != self._baseline.level
        # behind a hole as long as the baseline there is none to rise over: a reading must not be judged by itself
        judged = not good or self._baseline.level_at(m.metre) == self._baseline.level_at(m.metre)
        if good and (unknown or not hold):
            self._baseline.add(m.metre, m.value)
        self._starts.append(m.start)
        self._ends.append(m.end)
        self._values.append(m.value)
        self._rises.append(m.value - self._baseline.level if good else float("nan"))
        self._times.append(m.time)
        self._speeds.append(abs(m.speed))
        self._covered.append(m.covered and good and judged)
        self._thin()
        self._trim(m.end - self._reach)

    def _thin(self) -> None:
        """While the line stands, readings of one place come without end: the older ones are made one, which doubts what any doubted."""
        i = len(self._ends) - AT_ONE_PLACE
        if i < self._head or self._ends[-1] - self._ends[i] > PLACE:
            return
        j = i + 1
        self._starts[j] = min(self._starts[i], self._starts[j])
        first, second = self._rises[i], self._rises[j]
        self._rises[j] = max(first, second) if first == first and second == second else math.nan
        self._times[j] = self._times[i]
        self._speeds[j] = max(self._speeds[i], self._speeds[j])
        self._covered[j] = self._covered[i] and self._covered[j]
        for ring in self._rings():
            del ring[i]

    def _rings(self) -> tuple[list[Any], ...]:
        return (self._starts, self._ends, self._values, self._rises, self._times, self._speeds, self._covered)

    def _trim(self, before: float) -> None:
        ends = self._ends
        head = self._head
        n = len(ends)
        while head < n - 1 and ends[head] < before:
            head += 1
        self._head = head
        if head > 4096 and head > n // 2:
            for ring in self._rings():
                del ring[:head]
            self._head = 0

    def look(self, start: float, end: float) -> Seen:
        """What this tag saw of ``[start, end]`` (metres)."""
        first = bisect_left(self._ends, start, self._head)
        last = first
        n = len(self._ends)
        while last < n and self._starts[last] <= end:
            last += 1
        # keep one piece more on each side: they show that the neighbours were seen
        if first == last:
            return Seen(0.0, 0.0, start, 0.0, 0.0, doubt=f"{self.tag} has no reading of these metres")
        rise, where = float("-inf"), start
        reached = start
        doubt = ""
        for i in range(first, last):
            value = self._rises[i]
            if value != value:
                doubt = doubt or f"{self.tag} has a reading that is not good there"
                continue
            if value > rise:
                rise, where = value, 0.5 * (self._starts[i] + self._ends[i])
            if self._covered[i]:
                if self._starts[i] > reached + TOUCH and not doubt:
                    doubt = f"{self.tag} did not look at metre {reached:.2f} to {self._starts[i]:.2f}"
                reached = max(reached, self._ends[i])
        if reached < end - TOUCH and not doubt:
            doubt = f"{self.tag} did not look at metre {reached:.2f} to {end:.2f}"
        if not doubt and self._frozen(first, last):
            doubt = f"{self.tag} stands still at {self._values[first]:.4f}: frozen, no witness"
        trace = [
            [round(self._starts[i], 4), round(self._ends[i], 4), round(self._rises[i], 6)]
            for i in range(first, min(last, first + 32))
            if self._rises[i] == self._rises[i]
        ]
        level, spread = self._beside(first, last, start, end)
        return Seen(rise - min(0.0, level), spread, where, max(self._speeds[first:last]), self._times[first], doubt, trace)

    def _beside(self, first: int, last: int, start: float, end: float) -> tuple[float, float]:
        """Median and robust standard deviation of the rises on both sides of a window (0, 0 when too few)."""
        low, high = first, last
        while low > self._head and self._ends[low - 1] >= start - LOCAL:
            low -= 1
        while high < len(self._starts) and self._starts[high] <= end + LOCAL:
            high += 1
        rises = sorted(r for r in (*self._rises[low:first], *self._rises[last:high]) if r == r)
        if len(rises) < LEAST:
            return 0.0, 0.0
        level = rises[len(rises) // 2]
        away = sorted(abs(r - level) for r in rises)
        # 1.4826 turns a median absolute deviation into a standard deviation (normal distribution)
        return level, 1.4826 * away[len(away) // 2]

    def _frozen(self, first: int, last: int) -> bool:
        values = self._values
        for i in range(first, last):
            low = high = i
            while low > self._head and values[low - 1] == values[i] and high - low < FROZEN:
                low -= 1
            while high < len(values) - 1 and values[high + 1] == values[i] and high - low < FROZEN:
                high += 1
            if high - low + 1 >= FROZEN:
                return True
        return False

    def snapshot(self) -> dict[str, Any]:
        """The ring and the baseline: a restart must not lose the witness."""
        h = self._head
        return {
            "baseline": self._baseline.snapshot(),
            "starts": self._starts[h:],
            "ends": self._ends[h:],
            "values": [None if v != v else v for v in self._values[h:]],
            "rises": [None if v != v else v for v in self._rises[h:]],
            "times": self._times[h:],
            "speeds": self._speeds[h:],
            "covered": self._covered[h:],
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self._baseline.restore(state["baseline"])
        self._starts = list(state["starts"])
        self._ends = list(state["ends"])
        self._values = [float("nan") if v is None else v for v in state["values"]]
        self._rises = [float("nan") if v is None else v for v in state["rises"]]
        self._times = list(state["times"])
        self._speeds = list(state["speeds"])
        self._covered = list(state["covered"])
        self._head = 0


class Verdict(msgspec.Struct, frozen=True):
    """How an excursion was judged, and why in words and data."""

    verdict: Literal["drop", "lump", "unwitnessed"]
    why: str
    data: dict[str, Any]
    trace: list[list[float]] = []


def judge(seen: Sequence[Seen], *, height: float, window: tuple[float, float], unit: str, doubt: str = "") -> Verdict:
    """The verdict on a short excursion from what each witness tag saw within `window`.

    A drop needs every tag to have looked at the whole window and to have risen by less than half of `height`, the limit's height
    (a high drop must not hide a lump beneath it), less three of the witness's own standard deviations: its noise must not take a
    lump away. A rise of that or more is a lump even where coverage is in doubt.
    """
    rise = max((s.rise for s in seen), default=float("-inf"))
    # half of the height, less what the witness's own noise can take off a rise; never less than a quarter
    spread = max((s.spread for s in seen), default=0.0)
    threshold = max(height / 2 - SPREADS * spread, height / 4)
    data: dict[str, Any] = {
        "from": round(window[0], 3),
        "to": round(window[1], 3),
        "rise": None if rise == float("-inf") else round(rise, 6),
        "threshold": round(threshold, 6),
        "unit": unit,
    }
    trace = [row for s in seen for row in s.trace]
    if rise >= threshold:
        where = max(seen, key=lambda s: s.rise).metre
        data["metre"] = round(where, 3)
        return Verdict("lump", f"the witness rose by {rise:.4f} {unit} at metre {where:.2f}", data, trace)
    missing = doubt or next((s.doubt for s in seen if s.doubt), "")
    if missing or not seen:
        data["missing"] = missing or "no witness"
        return Verdict("unwitnessed", missing or "no witness", data, trace)
    why = f"the witness looked at all of metre {window[0]:.2f} to {window[1]:.2f} and rose by {rise:.4f} {unit} only: water"
    return Verdict("drop", why, data, trace)


def holds_lumps(hold: Hold) -> bool:
    """Whether pieces of such a register cover lumps: peak-hold over their whole length, instant ones under the aperture."""
    return hold in (Hold.MAX, Hold.INSTANT)
