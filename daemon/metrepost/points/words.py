"""The same words on every print of a sheet."""

from .judge import valid_range
from .model import Point, Signature, Trial, Waiver
from .sheet import Row, Sheet, State

NO_SAFETY = (
    "This sheet shows that values were read as they were applied. It is no safety acceptance: guards, interlocks, emergency stops "
    "and other safety functions are proven by their own procedure."
)
STATES: dict[State, str] = {
    "pass": "pass",
    "fail": "FAIL",
    "waived": "waived",
    "void": "VOID",
    "open": "not done",
    "derived": "derived",
}


def number(value: float | None) -> str:
    """A value as people read it; "" for none."""
    return "" if value is None else f"{value:.7g}"


def signed_number(value: float | None) -> str:
    """A difference, with its sign."""
    return "" if value is None else f"{value:+.4g}" if value else "0"


def scaling(point: Point) -> str:
    """How raw becomes the value, such as ``× 0.0001 − 2``; "" for a value that is taken as it comes."""
    parts = []
    if point.scale != 1.0:
        parts.append(f"× {point.scale:g}")
    if point.offset:
        parts.append(f"{'+' if point.offset > 0 else '−'} {abs(point.offset):g}")
    return " ".join(parts)


def source(point: Point, *, address: bool = True) -> str:
    """Endpoint, place and decoding in one line; the endpoint's `address` may stand elsewhere."""
    if point.derived:
        return f"computed: {point.place}"
    what = f"{point.endpoint} {point.address}: {point.place}" if address else f"{point.endpoint}: {point.place}"
    return f"{what}, {point.decoding}" if point.decoding else what


def described(point: Point) -> str:
    """All that is wired, in one line, for somebody who stands at the device."""
    valid = valid_range(point)
    parts = (source(point), scaling(point), point.unit, f"valid {valid}" if valid else "")
    return ", ".join(part for part in parts if part)


def notes(row: Row) -> list[str]:
    """What is to be said of a row beside its numbers."""
    found = []
    if row.state == "void":
        found.append(f"sign-off void: {'; '.join(row.changed)}")
    if isinstance(row.last, Trial) and row.last.reason:
        found.append(row.last.reason)
    if isinstance(row.last, Trial) and row.last.quality == "uncertain" and row.last.verdict == "pass":
        found.append("uncertain quality, accepted")
    if row.last is not None and row.last.remark:
        found.append(f"waived: {row.last.remark}" if isinstance(row.last, Waiver) else row.last.remark)
    if row.before is not None:
        then = row.before
        value = number(then.value) or "no value"
        found.append(f"before: {value} for {number(then.reference)} ({then.verdict}), {then.at[:16]}Z")
    if row.point.clears_on_read:
        found.append("cleared by reading")
    return found


def summary(sheet: Sheet) -> str:
    """How many points are in which state, in a sentence."""
    parts = [f"{sheet.count(state)} {word.lower()}" for state, word in STATES.items() if sheet.count(state)]
    return f"{len(sheet.rows)} points: {', '.join(parts)}" if parts else "the line has no points"


def signed(signature: Signature) -> str:
    """Who signed, and when."""
    return f"signed by {signature.by} at {signature.at}" + (f": {signature.remark}" if signature.remark else "")
