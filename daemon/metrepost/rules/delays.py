"""On-delay and off-delay, each as a length of cable or a time, written once.

After OPC 10000-9 annex B.1.5: the on-delay wants the value beyond the limit for the whole delay; once active, the value must be
back inside the limit by the deadband for the whole off-delay. Two things are ours. Length delays count cable, so they stand still
with the line. And doubt is not symmetric: a gap of bad readings counts towards the on-delay when the value is beyond on both sides
of it, and never towards the off-delay, because a missing witness must not hide a flaw.
"""

from collections.abc import Mapping
from enum import Enum
from typing import Any

from ..readings.units import Extent

CLOSE = 1e-6
"""Metres or seconds by which a delay may fall short: doubles near 1.8e9 s are spaced 2.4e-7 s, so exact comparison would be chance."""


class Change(Enum):
    """What a step did."""

    ON = "on"
    OFF = "off"


class Delay:
    """The delays of one limit.

    `active` is the answer. While pending or active, `since_time`/`since_metre` say where the value first went beyond, and after a
    return `clear_time`/`clear_metre` where it came back.
    """

    __slots__ = (
        "_clear_last",
        "_clear_run",
        "_off",
        "_on",
        "active",
        "clear_metre",
        "clear_time",
        "pending",
        "since_metre",
        "since_time",
    )

    def __init__(self, on: Extent | None, off: Extent | None) -> None:
        self._on = on if on is not None else Extent()
        self._off = off if off is not None else Extent()
        self.active = False
        self.pending = False
        self.since_time = 0.0
        self.since_metre = 0.0
        self.clear_time = 0.0
        self.clear_metre = 0.0
        self._clear_run: float | None = None
        self._clear_last: float | None = None

    def step(self, beyond: bool, clear: bool, time: float, metre: float) -> Change | None:
        """Take one judged value: `beyond` the limit, `clear` of limit and deadband, or neither (within the deadband)."""
        if not self.active:
            return self._towards_on(beyond, time, metre)
        if not clear:
            self._clear_run = self._clear_last = None
            return None
        x = metre if self._off.is_length else time
        if self._clear_run is None:
            self._clear_run = 0.0
            self.clear_time, self.clear_metre = time, metre
        elif self._clear_last is not None and x > self._clear_last:
            self._clear_run += x - self._clear_last
        self._clear_last = x
        if self._clear_run < (self._off.metres if self._off.is_length else self._off.seconds) - CLOSE:
            return None
        self.active = False
        self._clear_run = self._clear_last = None
        return Change.OFF

    def _towards_on(self, beyond: bool, time: float, metre: float) -> Change | None:
        if not beyond:
            self.pending = False
            return None
        if not self.pending:
            self.pending = True
            self.since_time, self.since_metre = time, metre
        waited, wanted = (
            (metre - self.since_metre, self._on.metres) if self._on.is_length else (time - self.since_time, self._on.seconds)
        )
        if waited < wanted - CLOSE:
            return None
        self.active, self.pending = True, False
        return Change.ON

    def hold(self) -> None:
        """A value that cannot be judged: what passes until the next good one does not count as clear."""
        self._clear_last = None

    def suspend(self) -> None:
        """Nothing is judged for a while (`hold_off`): what is pending begins anew, what is active stays."""
        self.pending = False
        self._clear_last = None

    def drop(self) -> bool:
        """Forget what is pending and end what is active; tells whether it was active."""
        was = self.active
        self.active = self.pending = False
        self._clear_run = self._clear_last = None
        return was

    def snapshot(self) -> dict[str, Any]:
        """State as plain data."""
        return {
            "active": self.active,
            "pending": self.pending,
            "since": [self.since_time, self.since_metre],
            "clear": [self.clear_time, self.clear_metre],
            "run": self._clear_run,
            "last": self._clear_last,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        self.active = bool(state.get("active", False))
        self.pending = bool(state.get("pending", False))
        self.since_time, self.since_metre = state.get("since", (0.0, 0.0))
        self.clear_time, self.clear_metre = state.get("clear", (0.0, 0.0))
        self._clear_run = state.get("run")
        self._clear_last = state.get("last")
