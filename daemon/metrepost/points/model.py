"""What a point sheet keeps: how a tag was wired when it was tried, what was applied, what was read, who signed."""

from typing import Literal

import msgspec

FORMAT = 1

Verdict = Literal["pass", "fail"]


class Point(msgspec.Struct, frozen=True, kw_only=True):
    """How one tag is wired, as the line file has it. A sign-off holds for this and nothing else.

    `place` is the register, node or topic as the engineer wrote it. value = raw * scale + offset, in `unit`. `derived` is a
    computed tag: its inputs are proven, not itself. The valid range is None at an open end.
    """

    tag: str
    endpoint: str = ""
    address: str = ""
    place: str = ""
    decoding: str = ""
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    valid_low: float | None = None
    valid_high: float | None = None
    clears_on_read: bool = False
    derived: bool = False


class Trial(msgspec.Struct, frozen=True, kw_only=True, tag="trial"):
    """A reference was applied and the tag read. Values in the unit of `point`; `value` None: no number came.

    `at` is UTC (RFC 3339). `difference` is the value read less the reference, `allowed` the largest that passes.
    `reason` says why it failed, "" when it passed.
    """

    point: Point
    at: str
    by: str
    reference: float
    allowed: float
    value: float | None
    difference: float | None
    raw: str
    quality: str
    verdict: Verdict
    reason: str = ""
    remark: str = ""


class Waiver(msgspec.Struct, frozen=True, kw_only=True, tag="waiver"):
    """Somebody answers for a tag that was not proven, and says why."""

    point: Point
    at: str
    by: str
    remark: str


class Signature(msgspec.Struct, frozen=True, kw_only=True, tag="signature"):
    """The whole sheet signed. `points` is the hash of how the tags were wired, `hash` covers that and all records before."""

    at: str
    by: str
    points: str
    hash: str
    remark: str = ""


Record = Trial | Waiver | Signature


class Book(msgspec.Struct, frozen=True, kw_only=True):
    """The history of one line's points, in order of time. Records are added, never changed."""

    line: str
    format: int = FORMAT
    records: tuple[Record, ...] = ()
