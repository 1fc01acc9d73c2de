"""Which readings are worth sending: on change, and at least every so often (pure)."""

import math

from ..readings import Measured, Quality, Tag


class ChangeFilter:
    """Lets a reading of one tag through when it is the first, when its quality or reason changed, when its value moved by at
    least `on_change` from the last one let through (any change when that is 0), or when `at_least_every` seconds went by.
    """

    __slots__ = ("_at_least_every", "_on_change", "_quality", "_reason", "_time", "_value")

    def __init__(self, tag: Tag) -> None:
        self._on_change = tag.on_change
        self._at_least_every = tag.at_least_every
        self._time = -math.inf
        self._value = math.nan
        self._quality: Quality | None = None
        self._reason = ""

    def passes(self, m: Measured) -> bool:
        """Whether to send `m`; remembers it when so."""
        if m.quality == self._quality and m.reason == self._reason and m.time - self._time < self._at_least_every:
            if math.isnan(m.value) or math.isnan(self._value):
                moved = math.isnan(m.value) != math.isnan(self._value)
            else:
                # a step of exactly on_change counts, whatever its last binary digit says
                moved = m.value != self._value and abs(m.value - self._value) >= self._on_change * (1.0 - 1e-9)
            if not moved:
                return False
        self._time, self._value, self._quality, self._reason = m.time, m.value, m.quality, m.reason
        return True
