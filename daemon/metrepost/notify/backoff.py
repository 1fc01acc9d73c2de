"""How long to wait before the next attempt. Pure."""

FIRST = 2.0
LONGEST = 300.0


def backoff(attempt: int, first: float = FIRST, longest: float = LONGEST, jitter: float = 1.0) -> float:
    """Seconds to wait after failed attempt number `attempt` (from 1): doubling from `first` up to `longest`.

    `jitter` in 0 to 1 takes off up to half, so that many channels do not knock at one server together.
    """
    whole = min(longest, first * 2.0 ** min(attempt - 1, 32))
    return whole * (0.5 + 0.5 * jitter)
