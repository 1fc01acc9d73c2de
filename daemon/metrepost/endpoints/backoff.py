"""How long to wait before the next attempt to connect. Pure: the caller brings the random fraction."""

FIRST = 0.2
"""Shortest wait, seconds."""

LONGEST = 10.0
"""Longest wait, seconds: a device that comes back is seen again within this time."""


def backoff(attempt: int, fraction: float, first: float = FIRST, longest: float = LONGEST) -> float:
    """Seconds to wait after `attempt` failed attempts in a row (0 = the first).

    The wait doubles up to `longest`. `fraction` (0 … 1) spreads it over the upper half of its span, so that many endpoints
    behind one failed switch do not come back in step. The answer always lies in ``first … longest``.
    """
    ceiling = min(longest, first * 2.0 ** min(attempt + 1, 64))
    floor = max(first, ceiling / 2.0)
    return floor + min(1.0, max(0.0, fraction)) * (ceiling - floor)
