"""From an act that was handed to the core to the answer that its caller waits for."""

import asyncio
from collections.abc import Sequence

from ..alarms.machine import Refused
from ..core import Output
from ..events import Event
from ..journal import Row
from ..publish import topics
from ..readings import Act
from .request import Answer

PATIENCE = 10.0
"""Seconds that a commit may take before the caller hears that it is not known yet."""


class Asked:
    """An act on its way. Hold it as long as somebody waits: the core's loop knows the act by being that very object."""

    def __init__(self, act: Act) -> None:
        self.act = act
        self.refused = ""
        self.sequences: list[int] = []
        self.settled = asyncio.Event()
        self._events: list[Event] | None = None

    def caused(self, outputs: Sequence[Output]) -> None:
        """The core has taken the act."""
        self._events = [item for item in outputs if isinstance(item, Event)]
        self.refused = next((item.why for item in outputs if isinstance(item, Refused)), "")

    def committed(self, rows: Sequence[Row]) -> None:
        """A commit has ended well: what the act caused, if the core had it, is among `rows`, or was dropped before."""
        if self._events is None or self.settled.is_set():
            return
        left = list(rows)
        for event in self._events:
            topic = topics.event(event)
            row = next((row for row in left if row.topic == topic and row.time == event.time), None)
            if row is not None:
                left = left[left.index(row) + 1 :]
                self.sequences.append(row.sequence)
        if len(self.sequences) < len(self._events):
            self.refused = "what it changed had to be dropped before it was committed; see the journal's trouble in the log"
        self.settled.set()


async def answer_to(asked: Asked, epoch: str, trouble: str) -> Answer:
    """Wait until an act is settled. `trouble` is the journal's now."""
    who = asked.act.who
    try:
        async with asyncio.timeout(PATIENCE):
            await asked.settled.wait()
    except TimeoutError:
        why = f"not committed within {PATIENCE:g} s{f' ({trouble})' if trouble else ''}; it may still be: look at the alarm's state"
        return Answer(outcome="unknown", why=why, who=who)
    if asked.refused:
        return Answer(outcome="refused", why=asked.refused, who=who)
    if not asked.sequences:
        return Answer(outcome="nothing_changed", why="there was nothing to change", who=who)
    return Answer(outcome="done", epoch=epoch, sequences=asked.sequences, who=who)
