"""The point sheet of now: the wiring of today laid over the history."""

import hashlib
from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec

from .judge import changes
from .model import Book, Point, Record, Signature, Trial, Waiver

State = Literal["pass", "fail", "waived", "void", "open", "derived"]
SETTLED: tuple[State, ...] = ("pass", "waived", "derived")


class Row(msgspec.Struct, frozen=True, kw_only=True):
    """One tag. `last` is the trial or waiver that counts, `before` the trial before it, `changed` what makes `last` void."""

    point: Point
    state: State
    last: Trial | Waiver | None = None
    before: Trial | None = None
    changed: tuple[str, ...] = ()
    trials: int = 0


class Sheet(msgspec.Struct, frozen=True, kw_only=True):
    """All points of a line, in the order of the line file.

    `gone` are tags with a history that the line no longer has. `signature` is the last one, `broken` why it does not hold today.
    """

    line: str
    rows: tuple[Row, ...]
    gone: tuple[str, ...] = ()
    signature: Signature | None = None
    broken: tuple[str, ...] = ()

    def count(self, state: State) -> int:
        """How many points are in a state."""
        return sum(row.state == state for row in self.rows)

    @property
    def unsettled(self) -> tuple[Row, ...]:
        """The rows that keep the sheet from being signed."""
        return tuple(row for row in self.rows if row.state not in SETTLED)


def sheet(line: str, points: Sequence[Point], book: Book) -> Sheet:
    """The sheet of today. `line` is how people know it, such as ``northmere/extrusion/core-3``."""
    names = {point.tag for point in points}
    gone = dict.fromkeys(r.point.tag for r in book.records if isinstance(r, Trial | Waiver) and r.point.tag not in names)
    signature = next((r for r in reversed(book.records) if isinstance(r, Signature)), None)
    return Sheet(
        line=line,
        rows=tuple(_row(point, book.records) for point in points),
        gone=tuple(gone),
        signature=signature,
        broken=_broken(points, book),
    )


def _row(point: Point, records: Iterable[Record]) -> Row:
    mine = [r for r in records if isinstance(r, Trial | Waiver) and r.point.tag == point.tag]
    last = mine[-1] if mine else None
    before = next((r for r in reversed(mine[:-1]) if isinstance(r, Trial)), None)
    changed = changes(last.point, point) if last else ()
    state: State
    if point.derived:
        state = "derived"
    elif last is None:
        state = "open"
    elif changed:
        state = "void"
    else:
        state = last.verdict if isinstance(last, Trial) else "waived"
    return Row(
        point=point, state=state, last=last, before=before, changed=changed, trials=sum(isinstance(r, Trial) for r in mine)
    )


def sign(points: Sequence[Point], book: Book, *, by: str, at: str, remark: str = "") -> Signature:
    """A signature under everything up to now. Whether the sheet may be signed is the caller's to ask (`unsettled`)."""
    wiring = _hash(points)
    return Signature(at=at, by=by, points=wiring, remark=remark, hash=_seal(book, len(book.records), wiring, by, at, remark))


def _broken(points: Sequence[Point], book: Book) -> tuple[str, ...]:
    index = max((i for i, r in enumerate(book.records) if isinstance(r, Signature)), default=-1)
    if index < 0:
        return ()
    last = book.records[index]
    assert isinstance(last, Signature)
    found = []
    for number, record in enumerate(book.records[: index + 1]):
        if isinstance(record, Signature) and not _intact(book, number, record):
            found.append(f"what {record.by} signed at {record.at} was edited afterwards: it no longer gives the hash signed")
    if last.points != _hash(points):
        found.append("tags were added, taken out or wired otherwise since it was signed")
    later = len(book.records) - index - 1
    if later:
        found.append(f"{later} trial{'s' if later > 1 else ''} or waivers were added since it was signed")
    return tuple(found)


def _intact(book: Book, index: int, signed: Signature) -> bool:
    return signed.hash == _seal(book, index, signed.points, signed.by, signed.at, signed.remark)


def _seal(book: Book, count: int, wiring: str, by: str, at: str, remark: str) -> str:
    return _hash([book.format, book.line, book.records[:count], wiring, by, at, remark])


def _hash(content: object) -> str:
    """SHA-256 of the content as JSON with sorted keys: whoever has the file can work it out again."""
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()
