"""What is said at a door: one JSON object a line, checked whole, every fault at once (no I/O).

The metres and values of an act say what somebody saw or did; nothing of it goes to a device, and there is no act that could.
"""

from collections.abc import Collection, Mapping
from difflib import get_close_matches
from typing import Any

import msgspec

from ..readings import Act
from .plan import PEOPLES_ACTS

LONGEST = 16_384
"""Bytes of a request."""
WORDS = 2_000
"""Characters of a text."""
NAME = 200
"""Characters of an alarm, a unit or a reel."""
METRES = 1e9
"""Cable metres, either way."""
SHELVED = 30 * 86_400.0
"""Seconds of shelving that may be asked for; the alarms' own bound, one shift, is the narrower one and says so itself."""

NUMBERS: Mapping[str, float] = {"for": SHELVED, "metre": METRES, "from": METRES, "to": METRES, "value": 1e15}
TEXTS: Mapping[str, int] = {"alarm": NAME, "reason": WORDS, "text": WORDS, "unit": NAME, "reel": NAME}

KEYS: Mapping[str, tuple[frozenset[str], frozenset[str]]] = {
    act: (frozenset(must.split()), frozenset(may.split()))
    for act, must, may in (
        ("acknowledge", "alarm", "reason"),
        ("reset", "alarm", "reason"),
        ("shelve", "alarm reason", "for"),
        ("unshelve", "alarm", "reason"),
        ("out_of_service", "alarm reason", ""),
        ("in_service", "alarm", "reason"),
        ("splice", "", "metre"),
        ("scrap", "from to", "reason"),
        ("sample", "text value unit", "metre reel"),
        ("note", "text", "metre"),
        ("drop_seen", "metre", "text"),
    )
}
"""Of each act: the keys it must have, and those it may have."""


class Answer(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What the door says. `outcome` is one of

    ``done``: committed to the journal, as the events `sequences` of `epoch`; ``nothing_changed``: the act was taken, and there was
    nothing to change; ``refused``: the core did not do it; ``not_allowed``: this account may not; ``faulty``: the request is wrong;
    ``too_often``; ``unknown``: it was taken, and whether it was committed is not known yet. `why` is a sentence, `faults` are all.
    """

    outcome: str
    why: str = ""
    faults: list[str] = []
    epoch: str = ""
    sequences: list[int] = []
    who: str = ""


class Request(msgspec.Struct, frozen=True):
    """A sound request: the act without its time, and for how long it shelves (s; 0: one-shot)."""

    act: Act
    shelve_for: float = 0.0

    def at(self, now: float, who: str) -> Act:
        """The act as the core takes it, at line time `now`."""
        until = now + self.shelve_for if self.shelve_for else 0.0
        return msgspec.structs.replace(self.act, time=now, who=who, until=until)


def read(line: bytes, alarms: Collection[str]) -> Request | list[str]:
    """A request, or every fault of it. `alarms` are those of the line. Never raises, whatever `line` holds."""
    try:
        said = msgspec.json.decode(line)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return ["this is no JSON; one object a line is expected"]
    if not isinstance(said, dict):
        return ["a JSON object is expected"]
    name = said.pop("act", None)
    if not isinstance(name, str) or name not in PEOPLES_ACTS:
        return [f"act: {_shown(name)} is no act of people; acts are {', '.join(PEOPLES_ACTS)}{_nearest(name, PEOPLES_ACTS)}"]
    must, may = KEYS[name]
    faults = [f"{key}: is missing; {name} needs it" for key in sorted(must - said.keys())]
    for key, value in said.items():
        if key not in must | may:
            faults.append(f"{_shown(key)}: {name} has no such key; it has {', '.join(sorted(must | may))}")
        else:
            faults.extend(_fault(key, value, needed=key in must))
    alarm = said.get("alarm")
    if not faults and "alarm" in must and alarm not in alarms:
        faults.append(f"alarm: {_shown(alarm)} is no alarm of this line{_nearest(alarm, alarms)}")
    if not faults and name == "scrap" and said["from"] == said["to"]:
        faults.append("to: a stretch has a length; from and to are the same metre")
    return faults or _request(name, said)


def _request(name: str, said: Mapping[str, Any]) -> Request:
    def number(key: str) -> float | None:
        return float(said[key]) if key in said else None

    # the core's words: a scrap's reason is its text, the reel of a sample its reason
    act = Act(
        name,
        0.0,
        alarm=said.get("alarm", ""),
        reason=said.get("reel", "") if name == "sample" else said.get("reason", ""),
        text=said.get("reason", "") if name == "scrap" else said.get("text", ""),
        metre=number("metre"),
        start=number("from"),
        end=number("to"),
        value=number("value"),
        unit=said.get("unit", ""),
    )
    return Request(act, number("for") or 0.0)


def _fault(key: str, value: object, *, needed: bool) -> list[str]:
    if key in TEXTS:
        if not isinstance(value, str):
            return [f"{key}: text is expected"]
        if needed and not value.strip():
            return [f"{key}: the text is empty"]
        if len(value) > TEXTS[key]:
            return [f"{key}: {len(value)} characters; at most {TEXTS[key]} are taken"]
        if any(ord(c) < 32 and c not in "\n\t" for c in value):
            return [f"{key}: control characters are not taken"]
        return []
    if isinstance(value, bool) or not isinstance(value, int | float):
        return [f"{key}: a number is expected"]
    # so said that "not a number" fails too; an integer of any length can be compared, where making it a float may raise
    if not abs(value) <= NUMBERS[key] or (key == "for" and value <= 0):
        low = "more than 0" if key == "for" else f"from {-NUMBERS[key]:g}"
        return [f"{key}: {low} to {NUMBERS[key]:g} is taken"]
    return []


def _shown(value: object) -> str:
    text = ascii(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _nearest(name: object, names: Collection[str]) -> str:
    near = get_close_matches(name[:NAME], names, 1) if isinstance(name, str) else []
    return f"; nearest is {near[0]}" if near else ""
