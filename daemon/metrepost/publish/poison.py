"""Which message is it that makes the broker hang up, each time it is sent? (pure)

A message the broker will not take (too large for it, say) is sent again after every reconnect and holds up all behind it. One
loss of a connection says nothing. When the same message is the oldest outstanding one at two losses in a row, messages are
sent one at a time; then the only outstanding one at a loss is to blame, and after three such losses it is to be set aside.
"""

from collections.abc import Collection, Hashable
from typing import Generic, TypeVar

STRIKES = 3

K = TypeVar("K", bound=Hashable)


class Suspicion(Generic[K]):
    """Judges losses of connection. Keys name messages; five losses in a row, the last three alone, condemn one."""

    def __init__(self) -> None:
        self._heads: frozenset[K] = frozenset()
        self._suspects: set[K] = set()
        self._strikes: dict[K, int] = {}

    @property
    def cautious(self) -> bool:
        """Whether only one message may be outstanding."""
        return bool(self._suspects)

    def lost(self, heads: Collection[K]) -> K | None:
        """The broker ended the connection while `heads` (the oldest of each stream) were outstanding. Returns the message to
        set aside, if any. Losses that are no answer of the broker (time-outs) must not be told.
        """
        if self.cautious:
            for key in heads:
                self._strikes[key] = self._strikes.get(key, 0) + 1
                self._suspects.add(key)
                if self._strikes[key] >= STRIKES:
                    self.cleared(key)
                    return key
            return None
        now = frozenset(heads)
        self._suspects |= now & self._heads
        self._heads = now
        return None

    def cleared(self, key: K) -> None:
        """The message was acknowledged, or set aside."""
        if self._suspects or self._heads:
            self._suspects.discard(key)
            self._strikes.pop(key, None)
            self._heads -= {key}
