"""The one ordered list that the core eats: reading, tick, act. Order of arrival is what counts."""

import msgspec

from .act import Act
from .reading import Reading


class Tick(msgspec.Struct, frozen=True, gc=False):
    """Line time has reached `time`. The shell makes one every 100 ms; a rehearsal makes the same ones from the data."""

    time: float


Input = Reading | Tick | Act
