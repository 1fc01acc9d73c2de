"""Capability against product limits: how much of the tolerance the process needs.

Definitions as in the NIST/SEMATECH e-Handbook 6.1.6 and ISO 22514-2 for a normal process (from memory): pp, ppk with the overall
deviation; cp, cpk with the deviation *within*, here from the moving range of 1 m means.
"""

import math

import msgspec

D2 = 1.128
"""Mean range of two values in standard deviations (d2 for n = 2; NIST/SEMATECH e-Handbook 6.3.2.2)."""


class MovingRange(msgspec.Struct, array_like=True, gc=False):
    """Mean absolute difference of neighbouring means. A missing one (None) breaks the chain: no difference across a gap."""

    count: int = 0
    total: float = 0.0
    last: float | None = None

    def add(self, mean: float | None) -> None:
        """The next mean along the cable, None when there is none to speak of."""
        if mean is not None and self.last is not None:
            self.count += 1
            self.total += abs(mean - self.last)
        self.last = mean

    @property
    def sigma(self) -> float | None:
        """Deviation within: mean moving range / 1.128. None without a difference."""
        return self.total / self.count / D2 if self.count else None


class Limits(msgspec.Struct, frozen=True):
    """Product limits in the tag's unit. An infinite one does not exist: `pp` needs both, `ppk` at least one."""

    low: float
    high: float


def _ratio(room: float, spread: float) -> float | None:
    return room / spread if spread > 0.0 and math.isfinite(room) else None


def indices(mean: float | None, sigma: float | None, limits: Limits | None) -> tuple[float | None, float | None]:
    """``(p, pk)`` = ``((high - low) / 6 sigma, min(high - mean, mean - low) / 3 sigma)``; None where it cannot be said."""
    if mean is None or sigma is None or limits is None:
        return None, None
    return _ratio(limits.high - limits.low, 6.0 * sigma), _ratio(min(limits.high - mean, mean - limits.low), 3.0 * sigma)
