"""How often one account may knock (no clock: `now` is handed in, monotonic seconds)."""

RATE = 10.0
"""Requests a second, lasting."""
BURST = 20.0
"""Requests at once."""
ACCOUNTS = 64
"""Accounts that are kept count of; the one longest unheard is forgotten, whose bucket is full again by then."""


class Rates:
    """A token bucket for each account."""

    def __init__(self, rate: float = RATE, burst: float = BURST) -> None:
        self._rate, self._burst = rate, burst
        self._left: dict[int, tuple[float, float]] = {}

    def take(self, uid: int, now: float) -> bool:
        """Whether an account may have one request more now."""
        left, at = self._left.pop(uid, (self._burst, now))
        left = min(self._burst, left + (now - at) * self._rate)
        if len(self._left) >= ACCOUNTS:
            del self._left[next(iter(self._left))]
        self._left[uid] = (left - 1.0 if left >= 1.0 else left, now)
        return left >= 1.0
