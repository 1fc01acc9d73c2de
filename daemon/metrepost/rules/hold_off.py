"""`hold_off`: after a setpoint was changed, a rule is held for a while: the process is on its way, and that is no news."""

from collections.abc import Mapping
from typing import Any

from ..readings import GOOD, Measured
from ..readings.units import Extent


class HoldOffWatch:
    """Watches one tag. `holding` says whether a rule is to be held because the tag changed a short time or length ago.

    Only good readings count: to hold an alarm back needs positive evidence, and a doubtful setpoint is none.
    """

    __slots__ = ("_changed", "_extent", "_value", "station", "tag")

    def __init__(self, tag: str, station: str, extent: Extent) -> None:
        self.tag = tag
        self.station = station
        self._extent = extent
        self._value: float | None = None
        self._changed: tuple[float, float] | None = None  # time and metre at the tag's station

    def reading(self, m: Measured) -> None:
        """A reading of the watched tag."""
        if m.quality is not GOOD or m.value != m.value:
            return
        if self._value is not None and m.value != self._value:
            self._changed = (m.time, m.metre)
        self._value = m.value

    def holding(self, time: float, metre: float) -> bool:
        """As of a line time, with the cable metre at the watched tag's station then.

        The distance counts, whichever way: a metre or a clock that went back over a restart must not hold a rule for ever.
        """
        if self._changed is None:
            return False
        changed_at, at = self._changed
        if self._extent.is_length:
            return abs(metre - at) < self._extent.metres
        return abs(time - changed_at) < self._extent.seconds

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        return {"value": self._value, "changed": None if self._changed is None else list(self._changed)}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self._value = state.get("value")
        changed = state.get("changed")
        self._changed = None if changed is None else (changed[0], changed[1])
