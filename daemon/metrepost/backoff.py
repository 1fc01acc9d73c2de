"""How long to wait before the next attempt, for whatever may be away: devices, broker, people's channels. Pure."""


def backoff(attempt: int, jitter: float, first: float, longest: float) -> float:
    """Seconds to wait after `attempt` failures in a row (from 1): doubling from `first` up to `longest`.

    `jitter` (0 to 1, outside is cut off) spreads the wait over its upper half, so that many do not come back at one moment.
    """
    whole = min(longest, first * 2.0 ** min(max(attempt, 1) - 1, 64))
    return whole * (0.5 + 0.5 * min(1.0, max(0.0, jitter)))
