"""The journal: two numbered streams, present states and snapshots in one SQLite file per line. The only SQL.

What is committed here is delivered by `metrepost.publish`, or declared lost; it stays for `metrepost export` until retention
takes it.
"""

from .errors import JournalDamagedError, JournalError, JournalFullError
from .export import Reader
from .journal import Journal, Opening, Positions
from .off_loop import AsyncJournal
from .records import Item, Present, PresentState, Row, Snapshot
from .retention import Retention

__all__ = [
    "AsyncJournal",
    "Item",
    "Journal",
    "JournalDamagedError",
    "JournalError",
    "JournalFullError",
    "Opening",
    "Positions",
    "Present",
    "PresentState",
    "Reader",
    "Retention",
    "Row",
    "Snapshot",
]
