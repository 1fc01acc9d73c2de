"""Whether a reading proves a point, and what a change of the wiring does to a sign-off."""

import math

from .model import Point, Trial, Verdict

_SLACK = 1e-9
"""Share of the larger number by which a difference may exceed the allowed one: 4.81 − 4.80 is 0.00999… or 0.01000…1 in binary."""

_KEYS = (
    ("endpoint", "endpoint"),
    ("address", "address"),
    ("place", "source"),
    ("decoding", "decoding"),
    ("scale", "scale"),
    ("offset", "offset"),
    ("unit", "unit"),
    ("valid", "valid range"),
    ("clears_on_read", "cleared by reading"),
    ("derived", "computed"),
)


def judge(
    reference: float, allowed: float, value: float, quality: str, reason: str, *, accept_uncertain: bool
) -> tuple[Verdict, str]:
    """Pass or fail, and why. All numbers in one unit. Bad quality never passes; uncertain only when `accept_uncertain`."""
    if quality == "bad":
        return "fail", f"bad quality: {reason}" if reason else "bad quality"
    if not math.isfinite(value):
        return "fail", "no number was read"
    if quality != "good" and not accept_uncertain:
        return "fail", f"{quality} quality{f': {reason}' if reason else ''}; it passes only when that is accepted"
    difference = value - reference
    if abs(difference) > allowed + _SLACK * max(abs(value), abs(reference)):
        return "fail", f"off by {difference:+.6g}, allowed is {allowed:.6g}"
    return "pass", ""


def trial(
    point: Point,
    *,
    reference: float,
    allowed: float,
    value: float,
    raw: str,
    quality: str,
    reason: str,
    by: str,
    at: str,
    remark: str = "",
    accept_uncertain: bool = False,
) -> Trial:
    """The record of one reading against a reference, judged. `quality` and `reason` are the endpoint's."""
    verdict, why = judge(reference, allowed, value, quality, reason, accept_uncertain=accept_uncertain)
    number = math.isfinite(value)
    return Trial(
        point=point,
        at=at,
        by=by,
        reference=reference,
        allowed=allowed,
        value=value if number else None,
        difference=value - reference if number else None,
        raw=raw,
        quality=quality,
        verdict=verdict,
        reason=why,
        remark=remark,
    )


def changes(then: Point, now: Point) -> tuple[str, ...]:
    """What is wired otherwise than it was, one sentence each; empty when a sign-off of `then` still holds."""
    found = []
    for key, word in _KEYS:
        was, present = _shown(then, key), _shown(now, key)
        if was != present:
            found.append(f"{word} was {was or 'nothing'}, is {present or 'nothing'}")
    return tuple(found)


def valid_range(point: Point) -> str:
    """The valid range as people write it, without its unit; "" for an open one."""
    if point.valid_low is None and point.valid_high is None:
        return ""
    low = "" if point.valid_low is None else f"{point.valid_low:.6g}"
    high = "" if point.valid_high is None else f"{point.valid_high:.6g}"
    return f"{low} … {high}".strip()


def _shown(point: Point, key: str) -> str:
    if key == "valid":
        ends = point.valid_low, point.valid_high
        return "" if ends == (None, None) else " … ".join("open" if end is None else repr(end) for end in ends)
    value = getattr(point, key)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else value
