"""What has passed a station but is not yet cut: whole metres, kept apart until the cut says which reel each belongs to."""

from collections import deque
from typing import Any

import msgspec

from .bucket import Bucket, Span
from .capability import MovingRange
from .moments import Moments

CELL = Span("", 1.0)
"""The metre, from which reels and the deviation within are made."""
REEL = Span("reel", 0.0)
"""A reel; its size is not known beforehand."""
HALF = 0.5
"""A metre of which less than this share was seen well has no mean to speak of."""


def cell_mean(cell: Bucket) -> float | None:
    """The mean of one metre, None when less than half of it was good."""
    return cell.moments.mean if cell.good >= HALF * (cell.end - cell.start) else None


class Cut(msgspec.Struct, frozen=True, array_like=True):
    """A cut at a cable metre that a tag has still to answer for. `time`: when it was told."""

    metre: float
    reel: str
    time: float


class Uncut:
    """The metres of one tag since the last cut.

    The last `keep` metres stay apart; older ones are certainly on the present reel and are merged, so that memory is bounded.
    A metre in which the cut lies is shared out by length, its readings taken as alike throughout.
    """

    def __init__(self, keep: int) -> None:
        self._keep = keep
        self._cells: deque[Bucket] = deque()
        self._body: Bucket | None = None

    def add(self, cell: Bucket) -> None:
        """The next whole metre."""
        self._cells.append(cell)
        while len(self._cells) > self._keep:
            self._merge(self._cells.popleft())

    def left_out(self, metres: float) -> None:
        """Metres that nobody looked at and that are too many to be kept one by one."""
        while self._cells:
            self._merge(self._cells.popleft())
        if self._body is not None:
            self._body.left_out += metres
            self._body.end += metres
            self._body.ranges.add(None)

    def cut(self, metre: float) -> tuple[Bucket | None, float]:
        """Close the reel at `metre`. None when the tag saw nothing of it.

        The second value is by how many metres the cut lies before what is already merged (0.0 when all is well): those metres
        are then counted to the reel that was cut.
        """
        if self._body is not None and metre <= self._body.start:
            return None, 0.0
        behind = max(0.0, self._body.end - metre) if self._body is not None else 0.0
        while self._cells and self._cells[0].end <= metre:
            self._merge(self._cells.popleft())
        rest: Bucket | None = None
        if self._cells and self._cells[0].start < metre:
            cell = self._cells.popleft()
            share = (metre - cell.start) / (cell.end - cell.start)
            head, rest = _divide(cell, metre, share)
            self._merge(head)
        finished, self._body = self._body, None
        if rest is not None:
            self._merge(rest)
        if finished is None:
            return None, 0.0
        return finished, behind

    def _merge(self, cell: Bucket) -> None:
        if self._body is None:
            self._body = msgspec.structs.replace(cell, moments=Moments(), ranges=MovingRange())
            body = self._body
            body.good = body.uncertain = body.bad = body.left_out = 0.0
        body = self._body
        body.end = cell.end
        body.closed = cell.closed
        body.moments.merge(cell.moments)
        body.ranges.add(cell_mean(cell))
        body.good += cell.good
        body.uncertain += cell.uncertain
        body.bad += cell.bad
        body.left_out += cell.left_out
        if cell.product:
            body.mixed = body.mixed or cell.mixed or (body.product not in ("", cell.product))
            body.product = cell.product

    def snapshot(self) -> dict[str, Any]:
        """JSON-able data."""
        cells = msgspec.to_builtins(list(self._cells))
        return {"cells": cells, "body": msgspec.to_builtins(self._body)}

    def restore(self, state: Any) -> None:
        """Take back a snapshot. Raises msgspec.ValidationError when it does not fit."""
        cells = msgspec.convert(state["cells"], list[Bucket])
        body = msgspec.convert(state["body"], Bucket | None)
        self._cells, self._body = deque(cells), body


def _divide(cell: Bucket, metre: float, share: float) -> tuple[Bucket, Bucket]:
    """One metre shared out at `metre`; its readings go by the share, rounded."""
    n = round(cell.moments.n * share)
    time = cell.opened + share * (cell.closed - cell.opened)
    pieces = []
    for start, end, part, count, opened, closed in (
        (cell.start, metre, share, n, cell.opened, time),
        (metre, cell.end, 1.0 - share, cell.moments.n - n, time, cell.closed),
    ):
        pieces.append(
            msgspec.structs.replace(
                cell,
                start=start,
                end=end,
                opened=opened,
                closed=closed,
                metre=start,
                moments=cell.moments.part(part, count),
                ranges=MovingRange(),
                good=cell.good * part,
                uncertain=cell.uncertain * part,
                bad=cell.bad * part,
                left_out=cell.left_out * part,
            )
        )
    return pieces[0], pieces[1]
