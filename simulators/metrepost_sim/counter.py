"""The length counter as its register shows it: resolution, wrap, and what can go wrong with it."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .motion import Floats, Motion


@dataclass(frozen=True)
class CounterFault:
    """What the counter does at `at` (s).

    ``zero``: reset to 0; ``jump``: `amount` metres added; ``stand``: stands still until `until`, the pulses meanwhile are lost.
    """

    what: Literal["zero", "jump", "stand"]
    at: float
    amount: float = 0.0
    until: float = 0.0


class LengthCounter:
    """Register of the counter. True metres go on through every fault; the register need not."""

    def __init__(self, motion: Motion, faults: tuple[CounterFault, ...], wraps_at: float, resolution: float) -> None:
        self._motion = motion
        self._faults = tuple(sorted(faults, key=lambda f: f.at))
        self._wraps_at = wraps_at
        self._resolution = resolution

    def register(self, t: Floats) -> Floats:
        """What the register shows (m) at `t` (s), in steps of the resolution."""
        true = self._motion.counter(t)
        shown = true
        for fault in self._faults:
            after = t >= fault.at
            if not after.any():
                continue
            moment = np.array([fault.at, max(fault.until, fault.at)])
            begin, end = self._motion.counter(moment)
            if fault.what == "zero":
                # what stood there before the reset is lost with it, so only motion since then counts
                shown = np.where(after, true - begin, shown)
            elif fault.what == "jump":
                shown = np.where(after, shown + fault.amount, shown)
            else:
                shown = np.where(after, shown - (np.minimum(true, end) - begin), shown)
        shown = np.floor(shown / self._resolution + 1e-6) * self._resolution
        return np.mod(shown, self._wraps_at) if self._wraps_at > 0 else shown
