"""Values that stand: a tag sent on change says nothing while it does not change, yet its delays and windows must go on.

When no reading has come for a while, ticks repeat the last judged one at the present time and metre. A bad reading ends that: its
value stands no longer. The gate is asked here too, because without readings the engine has nothing to ask it for: so what came
while `when` did not hold, or during `hold_off`, is judged as soon as it may be.
"""

from collections.abc import Mapping
from typing import Any

from ..readings import Measured, Quality, Tag
from .contract import View
from .gate import Gate, Pass

QUIET = 0.25
"""Seconds without a reading after which a value counts as standing, at least; ticks come every 0.1 s."""

DOWNTIME = 5.0
"""Seconds without a tick after which the daemon was down: a value from before that must be confirmed by a reading."""


class Standing:
    """The last judged reading of one tag."""

    __slots__ = ("_after", "_gate", "_last", "_station", "_ticked")

    def __init__(self, tag: Tag, gated: Gate) -> None:
        self._station = tag.station
        self._after = max(QUIET, 2.0 * tag.interval)
        self._gate = gated
        self._last: Measured | None = None
        self._ticked: float | None = None

    def note(self, m: Measured) -> None:
        """A reading was judged, or held back by `hold_off`."""
        self._last = m

    def passed(self, m: Measured) -> None:
        """A good reading was passed over because `when` did not hold: it may come to be judged while it stands."""
        self._last = m if not self._gate.open else None

    def forget(self) -> None:
        """The last reading stands no longer."""
        self._last = None

    def repeat(self, view: View) -> tuple[Measured, Pass] | None:
        """Call on every tick. The standing reading as of now and whether it is to be judged, held or passed over; None when
        readings come or nothing stands."""
        ticked, self._ticked = self._ticked, view.now
        m = self._last
        if ticked is not None and m is not None and view.now - max(ticked, m.time) > DOWNTIME:
            self._last = m = None
        if m is None or view.now - m.time <= self._after:
            return None
        metre = view.metre_now(self._station)
        behind, ahead = m.metre - m.start, m.end - m.metre
        now = Measured(
            m.tag,
            view.now,
            m.value,
            m.quality,
            m.reason,
            metre,
            metre - behind,
            metre + ahead,
            m.uncertainty,
            m.covered,
            view.speed,
        )
        return now, self._gate.ask(metre, view)

    def snapshot(self) -> dict[str, Any]:
        """State as plain data."""
        m = self._last
        if m is None:
            return {"last": None, "ticked": self._ticked}
        numbers = [m.metre, m.start, m.end, m.uncertainty, m.covered, m.speed]
        return {"last": [m.tag, m.time, m.value, int(m.quality), m.reason, *numbers], "ticked": self._ticked}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave."""
        last = state.get("last")
        self._last = None
        if last is not None:
            tag, time, value, quality, reason, metre, start, end, uncertainty, covered, speed = last
            self._last = Measured(
                tag, time, value, Quality(quality), reason, metre, start, end, uncertainty, bool(covered), speed
            )
        self._ticked = state.get("ticked")
