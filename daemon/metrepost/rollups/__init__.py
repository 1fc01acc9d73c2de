"""Streaming statistics over time, length and reel. Pure."""

from .buckets import RollupBook
from .capability import Limits, MovingRange, indices
from .moments import Moments

__all__ = ["Limits", "Moments", "MovingRange", "RollupBook", "indices"]
