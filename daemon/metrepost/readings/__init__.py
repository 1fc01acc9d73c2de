"""What a gauge said, and how far it can be trusted. Pure: no clock, socket or file."""

from .act import Act
from .input import Input, Tick
from .quality import BAD, GOOD, UNCERTAIN, Quality, worst
from .reading import Measured, Reading
from .tag import Hold, Tag

__all__ = [
    "BAD",
    "GOOD",
    "UNCERTAIN",
    "Act",
    "Hold",
    "Input",
    "Measured",
    "Quality",
    "Reading",
    "Tag",
    "Tick",
    "worst",
]
