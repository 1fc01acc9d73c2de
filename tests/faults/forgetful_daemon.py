"""A seeded bug for the rig to find: the journal forgets one flaw in twenty on the way to its file."""

from collections.abc import Sequence
from itertools import count

from metrepost.events import Event, FlawEvent
from metrepost.journal import Item, Journal, Row

_whole = Journal.commit
_flaws = count(1)


def _forgetful(self: Journal, batch: Sequence[Item]) -> list[Row]:
    kept = [i for i in batch if not (isinstance(i, Event) and isinstance(i.data, FlawEvent) and next(_flaws) % 20 == 0)]
    return _whole(self, kept)


def forget() -> None:
    """Put the bug into this process."""
    Journal.commit = _forgetful  # type: ignore[method-assign]
