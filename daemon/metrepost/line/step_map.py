"""A value that changes at metres of the cable and travels with it (line state, product)."""

from bisect import bisect_right
from collections.abc import Mapping
from typing import Any, Generic, TypeVar

T = TypeVar("T")

KEPT = 4096
"""Changes kept; older cable has long left the line."""


class StepMap(Generic[T]):
    """``value_at(metre)``: the value set last at or below that metre; before the first, the first (assumed)."""

    def __init__(self) -> None:
        self._metres: list[float] = []
        self._values: list[T] = []

    def set(self, metre: float, value: T) -> None:
        """From `metre` on the value is `value`. After reverse motion, what was set further on is forgotten."""
        while self._metres and self._metres[-1] >= metre:
            self._metres.pop()
            self._values.pop()
        if self._values and self._values[-1] == value:
            return
        self._metres.append(metre)
        self._values.append(value)
        if len(self._metres) > KEPT:
            del self._metres[: KEPT // 2], self._values[: KEPT // 2]

    def value_at(self, metre: float, default: T) -> T:
        """The value at a metre, or `default` when nothing was ever set."""
        if not self._metres:
            return default
        if metre >= self._metres[-1]:  # most questions are about cable made since the last change
            return self._values[-1]
        index = bisect_right(self._metres, metre) - 1
        return self._values[max(index, 0)]

    def snapshot(self) -> dict[str, Any]:
        """Both lists."""
        return {"metres": list(self._metres), "values": list(self._values)}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self._metres = list(state.get("metres", []))
        self._values = list(state.get("values", []))
