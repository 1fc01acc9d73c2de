"""How long to wait before trying the broker again (pure)."""

FIRST = 0.5
LONGEST = 30.0
LONGEST_REFUSED = 120.0


def delay(attempt: int, jitter: float, *, refused: bool = False) -> float:
    """Seconds before the next attempt. `attempt` counts failures in a row from 1, `jitter` is uniform in [0, 1).

    Doubles from 0.5 s to 30 s; a broker that refused the login is asked slowly, from 5 s to 2 min. Half of it is jitter, so
    that many lines do not come back at one moment.
    """
    first, longest = (5.0, LONGEST_REFUSED) if refused else (FIRST, LONGEST)
    step = min(longest, first * 2.0 ** min(attempt - 1, 16))
    return step * (0.5 + 0.5 * jitter)
