"""Acts: what people and the shell do to the core, in the same ordered list as the readings."""

import msgspec

ACTS = (
    "acknowledge",
    "reset",
    "shelve",
    "unshelve",
    "out_of_service",
    "in_service",
    "endpoint_up",
    "endpoint_down",
    "clock_step",
    "splice",
    "note",
    "scrap",
    "sample",
    "drop_seen",
)
"""Every act there is."""


class Act(msgspec.Struct, frozen=True):
    """One act. `act` is one of

    ``acknowledge``, ``reset``, ``shelve`` (with `until`, line time, and `reason`), ``unshelve``, ``out_of_service``, ``in_service``
    on `alarm`; ``endpoint_up``, ``endpoint_down`` (`endpoint`, `reason`); ``clock_step`` (`amount`, seconds);
    ``splice``, ``note`` (`text`), ``scrap`` (`start` to `end`, metres), ``sample`` (`text`: what was measured, `value`, `unit`, at
    `metre` of reel `reason`); ``drop_seen`` (`text`: where, downstream of the capstan; `metre`).
    `who` is the person or part that did it.
    """

    act: str
    time: float
    who: str = ""
    alarm: str = ""
    reason: str = ""
    until: float = 0.0
    endpoint: str = ""
    amount: float = 0.0
    text: str = ""
    metre: float | None = None
    start: float | None = None
    end: float | None = None
    value: float | None = None
    unit: str = ""
