"""Which message is it that makes the broker hang up, each time it is sent? (pure)

A message the broker will not take (too large for it, say) is sent again after every reconnect and holds up all behind it. One
loss of a connection says nothing. When the same message is the oldest outstanding one at two losses in a row, messages are
sent one at a time; then the only outstanding one at a loss is to blame, and after three such losses it is to be set aside.
A loss among others may blame an innocent neighbour, so one at a time goes on until the guilty one is found or a good many
have arrived.
"""

from collections.abc import Collection, Hashable
from typing import Generic, TypeVar

STRIKES = 3
ALONE = 200
"""Messages that must arrive one at a time before several are sent at once again."""

K = TypeVar("K", bound=Hashable)


class Suspicion(Generic[K]):
    """Judges losses of connection. Keys name messages; five losses in a row, the last three alone, condemn one."""

    def __init__(self) -> None:
        self._heads: frozenset[K] = frozenset()
        self._alone = 0
        self._strikes: dict[K, int] = {}

    @property
    def cautious(self) -> bool:
        """Whether only one message may be outstanding."""
        return self._alone > 0

    def lost(self, heads: Collection[K]) -> K | None:
        """The broker ended the connection while `heads` (the oldest of each stream) were outstanding. Returns the message to
        set aside, if any. Losses that are no answer of the broker (time-outs) must not be told.
        """
        if self.cautious:
            for key in heads:
                self._alone = ALONE
                self._strikes[key] = self._strikes.get(key, 0) + 1
                if self._strikes[key] >= STRIKES:
                    self._alone = 0
                    self._strikes.clear()
                    self._heads = frozenset()
                    return key
            return None
        now = frozenset(heads)
        if now & self._heads:
            self._alone = ALONE
        self._heads = now
        return None

    def cleared(self, key: K) -> None:
        """The message was acknowledged."""
        if self._alone or self._heads:
            self._alone = max(0, self._alone - 1)
            self._strikes.pop(key, None)
            self._heads -= {key}
