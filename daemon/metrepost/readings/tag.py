"""A tag: one value of one station, with the unit it is in and the piece of cable each reading stands for."""

import math
from enum import Enum

import msgspec


class Hold(Enum):
    """What a register holds between two reads."""

    INSTANT = "instant"
    MEAN = "mean"
    MAX = "max"
    MIN = "min"


class Tag(msgspec.Struct, frozen=True):
    """Everything the core must know of one tag, worked out at load.

    `unit` is the unit the values are in, as written by the engineer; `ucum` is the same unit as UCUM code.
    `interval` is the expected time between two readings in seconds. A `since_read` register holds from the
    previous read to this one; otherwise `window` (seconds) says how long a hold looks back.
    Values outside `valid_low … valid_high` are bad, reason ``range``. `uncertainty` is the standard uncertainty of one
    reading (k = 1), in `unit`; None when nothing states it.
    """

    name: str
    station: str
    unit: str = ""
    ucum: str = "1"
    hold: Hold = Hold.INSTANT
    since_read: bool = False
    window: float = 0.0
    interval: float = 1.0
    valid_low: float = -math.inf
    valid_high: float = math.inf
    on_change: float = 0.0
    at_least_every: float = math.inf
    uncertainty: float | None = None

    @property
    def local_name(self) -> str:
        """The part after the station."""
        return self.name.partition(".")[2]
