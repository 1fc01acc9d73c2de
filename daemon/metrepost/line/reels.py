"""Cuts and reels: what is on a reel is decided at the cut, by metre.

A cut lies at ``length at the reference - (take-up position - reference position) - accumulator content``.
"""

from collections import deque
from collections.abc import Mapping
from typing import Any

import msgspec

from ..events import (
    CutEvent,
    DropEvent,
    EventData,
    FlawEvent,
    NoteEvent,
    ReclassifiedEvent,
    ReelSummary,
    SampleEvent,
    SparkEvent,
    StretchEvent,
)
from ..readings.moment import rfc3339
from .plan import Registration, TakeUpPlan

LISTED = 20_000
"""Rows kept for cable that is not yet cut; what goes over is counted in the record."""


LISTS = ("flaws", "drops", "sparks", "stretches", "notes", "samples")
"""The lists of a reel record."""

POINT = 1e-6
"""What lies at one metre has this length, so that it lies on one reel."""


class Entry(msgspec.Struct, frozen=True):
    """Something that lies on the cable: `list` is one of `LISTS`."""

    list: str
    start: float
    end: float
    row: dict[str, Any]


class ReelBook:
    """The reel in make and the one before it.

    `note(event)` remembers what lies on the cable, `cut(...)` closes the reel at the metre of the cut.
    """

    def __init__(self, plan: TakeUpPlan, reference: float, registration: Registration) -> None:
        self.plan = plan
        self._distance = plan.position - reference
        self._registration = registration
        self.name = ""
        self._next_name = ""
        self.opened = float("nan")
        self.opened_uncertainty = 0.0
        self._entries: deque[Entry] = deque()
        # stretches that have begun and not ended, by mark, cause and station: (start, row)
        self._open: dict[str, tuple[float, dict[str, Any]]] = {}
        self.left_out = 0

    def metre_at_take_up(self, length: float, accumulator: float) -> float:
        """The metre that is wound on now, from the length at the reference and the accumulator content (metres)."""
        return length - self._distance - accumulator

    def reel_name(self, name: str) -> None:
        """The take-up names its reel. After a cut the new name is adopted when it comes."""
        if not self.name:
            self.name = name
        elif name != self.name:
            self._next_name = name
            if self._waiting:
                self.name, self._next_name = name, ""
                self._waiting = False

    _waiting = False

    def start(self, metre: float) -> None:
        """The first sight of the line: the reel in make is taken to begin here."""
        if self.opened != self.opened:
            self.opened = metre

    def note(self, data: EventData) -> None:
        """Remember an event that lies on the cable."""
        if isinstance(data, StretchEvent):
            self._open_stretch(data)
        entry = _entry(data)
        if entry is None:
            return
        self._entries.append(entry)
        if len(self._entries) > LISTED:
            self._entries.popleft()
            self.left_out += 1

    def _open_stretch(self, data: StretchEvent) -> None:
        key = f"{data.mark} {data.cause} {data.station}"
        if data.open and data.start is not None:
            self._open[key] = (data.start, {"mark": data.mark, "cause": data.cause, "station": data.station, "open": True})
        elif not data.open:
            self._open.pop(key, None)

    def replay(self, data: EventData) -> None:
        """Take in an event that was told before a kill but after the last snapshot, so that the record is complete."""
        if isinstance(data, CutEvent) and data.metre is not None:
            self._entries = deque(e for e in self._entries if e.end > data.metre)
            self.opened = data.metre
            self.opened_uncertainty = data.metre_uncertainty or 0.0
            self._waiting = not data.next_reel
            self.name, self._next_name = data.next_reel or data.reel, ""
        elif isinstance(data, ReclassifiedEvent):
            self.reclassify(data)
        else:
            self.note(data)

    def reclassify(self, data: ReclassifiedEvent) -> None:
        """Move drops that turned out to be lumps into the list of flaws: the record is corrected."""
        pieces = data.pieces
        moved: deque[Entry] = deque()
        for entry in self._entries:
            if entry.list == "drops" and any(entry.start <= high and low <= entry.end for low, high in pieces):
                moved.append(
                    Entry("flaws", entry.start, entry.end, {**entry.row, "verdict": "lump", "reclassified": data.reason})
                )
            else:
                moved.append(entry)
        self._entries = moved

    def cut(
        self, time: float, length: float, accumulator: float, speed: float, uncertainty: float
    ) -> tuple[CutEvent, ReelSummary]:
        """Close the reel: the event, and the record of the reel that ended."""
        metre = self.metre_at_take_up(length, accumulator)
        doubt = uncertainty + self._registration.between(self._distance, speed)
        record = self._summary(metre, closed=True, doubt=doubt)
        event = CutEvent(
            metre=metre,
            metre_uncertainty=doubt,
            reel=self.name,
            next_reel=self._next_name,
            decided=rfc3339(time),
            explanation=f"reel {self.name or 'without a number'} ends at metre {metre:.2f} ± {doubt:.2f}, {record.length:.1f} m long",
        )
        self._entries = deque(e for e in self._entries if e.end > metre)
        self.opened = metre
        self.opened_uncertainty = doubt
        if self._next_name:
            self.name, self._next_name = self._next_name, ""
        else:
            self._waiting = True
        return event, record

    def current(self, metre_now: float) -> ReelSummary:
        """The record of the reel in make, up to the metre that is wound on now."""
        return self._summary(metre_now, closed=False, doubt=self.opened_uncertainty)

    def expected_reel(self, metre: float) -> str:
        """The reel a metre is expected on: the reel in make, until a cut decides otherwise."""
        return self.name if self.opened != self.opened or metre >= self.opened else ""

    def _summary(self, end: float, *, closed: bool, doubt: float) -> ReelSummary:
        start = self.opened
        if start != start:
            start = end
        lists: dict[str, list[dict[str, Any]]] = {name: [] for name in LISTS}
        # a stretch that has not ended reaches as far as the reel does
        under_way = [Entry("stretches", begun, max(begun, end), row) for begun, row in self._open.values()]
        for entry in (*self._entries, *under_way):
            if entry.start >= end or entry.end <= start:
                continue
            row = dict(entry.row)
            row["from"], row["to"] = entry.start, entry.end
            row["from_start"] = round(entry.start - start, 3)
            if closed:
                row["from_end"] = round(end - entry.end, 3)
            lists[entry.list].append(row)
        return ReelSummary(
            reel=self.name,
            product="",
            start=start,
            end=end if closed else None,
            length=max(0.0, end - start),
            uncertainty=doubt + self.opened_uncertainty,
            closed=closed,
            flaws=lists["flaws"],
            drops=lists["drops"],
            sparks=lists["sparks"],
            stretches=lists["stretches"],
            notes=lists["notes"],
            samples=lists["samples"],
        )

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        return {
            "name": self.name,
            "next": self._next_name,
            "waiting": self._waiting,
            "opened": None if self.opened != self.opened else self.opened,
            "uncertainty": self.opened_uncertainty,
            "entries": [msgspec.structs.asdict(e) for e in self._entries],
            "open": {key: [start, row] for key, (start, row) in self._open.items()},
            "left_out": self.left_out,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self.name = state["name"]
        self._next_name = state["next"]
        self._waiting = state["waiting"]
        self.opened = float("nan") if state["opened"] is None else state["opened"]
        self.opened_uncertainty = state["uncertainty"]
        self._entries = deque(Entry(**e) for e in state["entries"])
        self._open = {key: (start, row) for key, (start, row) in state.get("open", {}).items()}
        self.left_out = state["left_out"]


def _entry(data: EventData) -> Entry | None:
    match data:
        case FlawEvent():
            row = {"station": data.station, "direction": data.direction, "verdict": data.verdict, "height": data.height}
            return Entry("flaws", _low(data.start, data.metre), _low(data.end, data.metre), {**row, "unit": data.unit})
        case DropEvent():
            row = {"station": data.station, "height": data.height, "unit": data.unit, "provisional": True}
            return Entry("drops", _low(data.start, data.metre), _low(data.end, data.metre), row)
        case SparkEvent():
            row = {"station": data.station, "faults": data.faults}
            return Entry("sparks", _low(data.start, data.metre), _low(data.end, data.metre), row)
        case NoteEvent() if data.metre is not None:
            return Entry("notes", data.metre, data.metre + POINT, {"text": data.text, "by": data.by})
        case SampleEvent() if data.metre is not None:
            row = {"what": data.what, "value": data.value, "unit": data.unit, "by": data.by}
            return Entry("samples", data.metre, data.metre + POINT, row)
        case StretchEvent() if data.start is not None and data.end is not None:
            return Entry("stretches", data.start, data.end, {"mark": data.mark, "cause": data.cause, "station": data.station})
        case _:
            return None


def _low(edge: float | None, metre: float | None) -> float:
    return edge if edge is not None else (metre or 0.0)
