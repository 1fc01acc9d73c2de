"""Whether the spark test counts at this moment, and up to which metre each of its witnesses said so.

A missing witness never hides: what is bad, silent or not heard since the daemon was down is no test. So is a piece of cable
between two looks that lie too far apart.
"""

import math
from collections.abc import Mapping
from typing import Any

import msgspec

from ..readings import Measured, Tag
from .contract import View
from .level import Level
from .standing import QUIET
from .wording import number

SPEED = "speed"
"""The witness that is no tag: the line speed, looked at with every reading and tick."""


BACK = 1.0
"""Metres a line may creep back. A metre that went back further begins anew, and what was known of the old one is worth nothing."""


class TesterPlan(msgspec.Struct, frozen=True):
    """What a test must be. `required` in the unit of `voltage`, by product; `fastest` in m/s, `silence` in seconds.

    `fastest_by` says in words which rule gave `fastest`.
    """

    voltage: Tag
    switch: str | None
    required: Level
    fastest: float
    fastest_by: str
    silence: float


class _Seen(msgspec.Struct):
    """A tag as last heard: when (line time of arrival), what, and in words why it is no evidence ("" if it is)."""

    time: float
    value: float
    quality: str
    doubt: str
    restored: bool = False


class SparkTest:
    """Follows the tags of one tester."""

    def __init__(self, plan: TesterPlan) -> None:
        self.plan = plan
        self._tags = (plan.voltage.name,) if plan.switch is None else (plan.voltage.name, plan.switch)
        self._seen: dict[str, _Seen] = {}
        self._switched_on: float | None = None  # since when the switch is on
        self._good: dict[str, float] = {}  # witness: metre up to which it spoke for the test
        self._watched_from: float | None = None  # line time
        self._looked: float | None = None  # line time
        self.required = max(plan.required.each(), default=math.nan)

    @property
    def voltage(self) -> float | None:
        """The voltage as last heard, None when that is no evidence."""
        seen = self._seen.get(self.plan.voltage.name)
        return seen.value if seen is not None and not seen.doubt else None

    @property
    def quality(self) -> str:
        """Quality of the voltage as last heard."""
        seen = self._seen.get(self.plan.voltage.name)
        return seen.quality if seen is not None else "bad"

    @property
    def watching(self) -> bool:
        """Whether cable is being followed."""
        return self._watched_from is not None

    def hear(self, m: Measured, doubt: str, view: View) -> None:
        """A reading of one of the tags; `doubt` says why it cannot be used."""
        before = self._seen.get(m.tag)
        self._seen[m.tag] = _Seen(view.now, 0.0 if doubt else m.value, m.quality.word, doubt)
        if m.tag != self.plan.switch or doubt:
            return
        if m.value == 0:
            self._switched_on = None
        elif before is not None and not before.doubt and before.value == 0:
            self._switched_on = view.now

    def was_down(self, why: str, view: View) -> dict[str, str]:
        """The daemon was down: what was not heard since does not count. Gives the doubt of every tag for what went by meanwhile."""
        for tag in self._tags:
            seen = self._seen.get(tag)
            if seen is None or seen.restored:
                self._seen[tag] = _Seen(view.now, 0.0, "bad", why)
        return {tag: f"no good reading of {tag}: {why}" for tag in self._tags}

    def looked_away(self, view: View) -> bool:
        """Whether it is longer since the last look than readings lie apart."""
        return self._looked is None or view.now - self._looked > max(QUIET, 2.0 * self.plan.voltage.interval)

    def leave(self) -> None:
        """The cable in front of the tester is not judged."""
        self._good.clear()
        self._watched_from = None

    def look(self, metre: float, view: View, heard: str = "") -> dict[str, str]:
        """Why the test does not count, by witness (empty: it counts). `metre` is in front of the tester, `heard` just spoke."""
        if self._watched_from is None:
            self._watched_from = view.now
        self._looked = view.now
        if self.plan.required.products is not None:
            asked = self.plan.required.of(view.product_at(metre))
            # the most that any product asks for where the product is not known
            self.required = asked if math.isfinite(asked) else max(self.plan.required.each(), default=math.nan)
        failing = {tag: why for tag in self._tags if (why := self._why_not(tag, view))}
        if view.speed > self.plan.fastest:
            told, by = f"{view.speed * 60:.0f} m/min above the {self.plan.fastest * 60:.0f} m/min", self.plan.fastest_by
            failing[SPEED] = f"{told} that {by} allow"
        for witness in (*self._tags, SPEED):
            spoke = witness not in failing and witness in (heard, SPEED)
            if spoke or metre < self._good.get(witness, -math.inf) - BACK or witness not in self._good:
                self._good[witness] = metre
        return failing

    def good_until(self, failing: Mapping[str, str]) -> float:
        """The lowest metre up to which those witnesses spoke for the test. Ask after `look`."""
        return min(self._good[witness] for witness in failing)

    def _why_not(self, tag: str, view: View) -> str:
        seen = self._seen.get(tag)
        if seen is None:
            waited = view.now - (self._watched_from if self._watched_from is not None else view.now)
            return f"no reading of {tag} for {waited:.0f} s" if waited > self.plan.silence else ""
        if seen.doubt:
            return f"no good reading of {tag}: {seen.doubt}"
        if view.now - seen.time > self.plan.silence:
            return f"no reading of {tag} for {view.now - seen.time:.0f} s"
        if tag == self.plan.switch:
            return "high voltage is off" if seen.value == 0 else ""
        if seen.value < self.required:
            low, required = (number(x, self.required, self.plan.voltage.unit) for x in (seen.value, self.required))
            return f"{low} below the {required} required"
        on = self._switched_on
        if on is not None and seen.time < on and view.now - on <= max(QUIET, 2.0 * self.plan.voltage.interval):
            return "high voltage was switched on, and what it reached is not read yet"
        return ""

    def snapshot(self) -> dict[str, Any]:
        """State as plain data."""
        return {
            "seen": {tag: [seen.time, seen.value, seen.quality, seen.doubt] for tag, seen in self._seen.items()},
            "switched_on": self._switched_on,
            "good": dict(self._good),
            "watched_from": self._watched_from,
            "looked": self._looked,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        seen = state.get("seen") or {}
        self._seen = {
            tag: _Seen(seen[tag][0], seen[tag][1], seen[tag][2], seen[tag][3], restored=True)
            for tag in self._tags
            if tag in seen
        }
        self._switched_on = state.get("switched_on")
        self._good = {witness: float(metre) for witness, metre in (state.get("good") or {}).items()}
        self._watched_from = state.get("watched_from")
        self._looked = state.get("looked")
        if not {*self._tags, SPEED} <= self._good.keys():
            self.leave()  # the rule had other witnesses: nothing is known of these
