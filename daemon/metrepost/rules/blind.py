"""`blind`: no good reading for a length of cable or a time. Any rule may have it; each of its tags is watched.

One dead axis of two already makes a rule blind: half a gauge is no witness.
"""

from collections.abc import Callable, Mapping
from typing import Any

from ..readings import BAD, Measured, Tag
from ..readings.units import Extent
from .contract import Condition, View


class BlindWatch:
    """Watches the tags of one rule. Counting begins with the first tick, and anew whenever `when` does not hold.

    It goes on during `hold_off`: a changed setpoint is no reason for a gauge to be dead.
    """

    def __init__(self, after: Extent, tags: Mapping[str, Tag]) -> None:
        self._after = after
        self._stations = {name: tag.station for name, tag in tags.items()}
        self._good: dict[str, tuple[float, float]] = {}  # tag: (time, metre) of the last good reading
        self._reasons: dict[str, str] = {}
        self.blind = False

    def reading(self, m: Measured) -> None:
        """Note a reading of one of the tags."""
        if m.tag not in self._stations:
            return
        if m.quality is BAD:
            self._reasons[m.tag] = m.reason
            return
        self._good[m.tag] = (m.time, m.metre)
        if self._reasons:
            self._reasons.pop(m.tag, None)

    def tick(self, view: View, holds: Callable[[float, View], bool]) -> list[Condition]:
        """Look how long each tag has been without a good reading."""
        silent = ""
        since = (view.now, 0.0)
        for tag, station in self._stations.items():
            metre = view.metre_now(station)
            last = self._good.get(tag)
            if last is None or not holds(metre, view):
                self._good[tag] = (view.now, metre)
                continue
            time, at = last
            if (metre - at > self._after.metres) if self._after.is_length else (view.now - time > self._after.seconds):
                silent, since = tag, last
        if bool(silent) == self.blind:
            return []
        self.blind = bool(silent)
        reason = self._reasons.get(silent, "no reading")
        return [
            Condition(
                limit="blind",
                active=self.blind,
                onset_time=since[0],
                metre=since[1],
                quality="bad" if self.blind else "good",
                explanation=f"no good reading of {silent} for {self._after}: {reason}" if silent else "good readings again",
            )
        ]

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        return {"blind": self.blind}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot: counting begins anew, the state stands."""
        self.blind = bool(state.get("blind", False))
