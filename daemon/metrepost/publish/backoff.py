"""How long to wait before trying the broker again (pure)."""

from ..backoff import backoff

FIRST, LONGEST = 0.5, 30.0
FIRST_REFUSED, LONGEST_REFUSED = 5.0, 120.0


def delay(attempt: int, jitter: float, *, refused: bool = False) -> float:
    """Seconds before the next attempt; `attempt` counts failures in a row from 1.

    From 0.5 s to 30 s; a broker that refused the login is asked slowly, from 5 s to 2 min.
    """
    first, longest = (FIRST_REFUSED, LONGEST_REFUSED) if refused else (FIRST, LONGEST)
    return backoff(attempt, jitter, first, longest)
