"""How long an endpoint waits before it connects again. Pure: the caller brings the random fraction."""

from .. import backoff as common

FIRST = 0.2
"""Shortest wait, seconds."""

LONGEST = 10.0
"""Longest wait, seconds: a device that comes back is seen again within this time."""


def backoff(attempt: int, fraction: float, first: float = FIRST, longest: float = LONGEST) -> float:
    """Seconds to wait after `attempt` failed attempts in a row (0 = the first): from `first` to twice that, then doubling."""
    return max(first, common.backoff(attempt + 2, fraction, first, longest))
