"""What the live view shows, as plain data: what is wrong, where on the cable, since when, what to do. Pure.

The board is fed with what the daemon puts out, in order, and with the facts of the line a few times a second. It keeps little:
every list is bounded. How it looks is the business of `view`.

Distances are along the cable. Metres fall from the die towards the take-up, because cable metres count up as cable is made:
`metre_at_die - metre` is how far a piece has come.
"""

import math
from collections import deque
from collections.abc import Iterator, Sequence
from typing import Literal

import msgspec

from ..events import (
    AlarmState,
    CutEvent,
    DropEvent,
    Event,
    EventData,
    FlawEvent,
    ReclassifiedEvent,
    ReelState,
    ReelSummary,
    Rollup,
    RollupOut,
    SparkEvent,
    StretchEvent,
)
from ..line.plan import LinePlan, Toleranced
from ..readings import BAD, Measured

MarkKind = Literal["lump", "neck", "unwitnessed", "spark", "cut", "drop"]
Broker = Literal["connected", "connecting", "refused", "none"]

MARKS = 500
DROPS = 50
BIN = 0.25
"""Length of a trace's bins, metres."""

_ORDER = {"critical": 0, "high": 1, "medium": 2, "low": 3}
_OPEN = frozenset(
    {"unacknowledged", "returned_unacknowledged", "latched_unacknowledged", "latched_acknowledged", "acknowledged"}
)
_HELD = frozenset({"suppressed_by_design", "shelved", "out_of_service"})


class LineFacts(msgspec.Struct, frozen=True, kw_only=True):
    """The line at one moment. `time` is line time (s), `speed` m/s, metres are cable metres.

    `metre_at_take_up` allows for the accumulator. `endpoints` says which are up, by name; `waiting` is how many messages the
    broker has not acknowledged.
    """

    time: float
    speed: float
    state: str
    product: str = ""
    reel: str = ""
    metre_at_die: float
    metre_at_take_up: float
    endpoints: dict[str, bool] = {}
    broker: Broker = "none"
    waiting: int = 0


class Mark(msgspec.Struct, frozen=True):
    """Something that lies on the cable at `metre`."""

    kind: MarkKind
    metre: float


class ShownAlarm(msgspec.Struct, frozen=True):
    """An alarm that wants attention. `distance` (m) and `seconds` are what is left until its metre reaches the take-up.

    Both are None for an alarm without a metre, negative once it has passed; `seconds` is None on a line that stands.
    """

    state: AlarmState
    distance: float | None
    seconds: float | None

    @property
    def acknowledged(self) -> bool:
        """Whether somebody has it in hand."""
        return self.state.state in ("acknowledged", "latched_acknowledged")


class Column(msgspec.Struct, frozen=True):
    """What a trace did over one column's piece of cable. `low`/`high`/`mean` are None where only bad readings came."""

    low: float | None = None
    high: float | None = None
    mean: float | None = None


class Trace:
    """One tag by cable metre, in bins, as far back as the window."""

    def __init__(self, tag: str, unit: str, window: float) -> None:
        self.tag = tag
        self.unit = unit
        self.last: float | None = None
        self._window = window
        self._bins: dict[int, tuple[float, float, float, int]] = {}
        self._newest = -math.inf

    def add(self, m: Measured) -> None:
        """Take a reading. A bad one leaves its bin empty but known, so that the view can say that nobody looked."""
        if m.metre < self._newest - self._window:  # the metre began anew: what was before is another cable
            self._bins.clear()
            self._newest = m.metre
        place = math.floor(m.metre / BIN)
        low, high, total, n = self._bins.get(place, (math.inf, -math.inf, 0.0, 0))
        if m.quality < BAD and math.isfinite(m.value):
            low, high, total, n = min(low, m.value), max(high, m.value), total + m.value, n + 1
            self.last = m.value
        else:
            self.last = None
        self._bins[place] = (low, high, total, n)
        if m.metre > self._newest:
            self._newest = m.metre
            if len(self._bins) > 2 * self._window / BIN:
                oldest = math.floor((self._newest - self._window) / BIN)
                self._bins = {key: value for key, value in self._bins.items() if key >= oldest}

    def over(self, start: float, end: float) -> Column | None:
        """The piece ``[start, end)``; None where the gauge has not looked (yet)."""
        found = [
            self._bins[k]
            for k in range(math.floor(start / BIN), max(math.floor(start / BIN) + 1, math.ceil(end / BIN)))
            if k in self._bins
        ]
        if not found:
            return None
        n = sum(b[3] for b in found)
        if n == 0:
            return Column()
        return Column(min(b[0] for b in found), max(b[1] for b in found), sum(b[2] for b in found) / n)

    def centre(self) -> float | None:
        """The median of the bins' means: what is usual at this gauge now."""
        means = sorted(total / n for _, _, total, n in self._bins.values() if n)
        return means[len(means) // 2] if means else None


class Board:
    """Everything the view shows. `traces` are tags drawn along the cable; left out: every ``diameter`` from the die on.

    The window of the ruler reaches from the die to `on_reel` metres beyond the take-up.
    """

    def __init__(self, plan: LinePlan, traces: Sequence[str] = (), on_reel: float = 30.0) -> None:
        self.plan = plan
        self.take_up = plan.take_up.position if plan.take_up else max((s.position for s in plan.stations.values()), default=0.0)
        self.window = self.take_up + on_reel
        units = {tag.name: tag.unit for tag in plan.tags.values()}
        names = traces or _diameters(plan)
        self.traces = {name: Trace(name, units.get(name, ""), 2 * self.window) for name in names}
        self.facts: LineFacts | None = None
        self.reel: ReelSummary | None = None
        self.drops: deque[DropEvent] = deque(maxlen=DROPS)
        self.drops_seen = 0
        self.reclassified = 0
        self.latest: dict[str, Rollup] = {}
        self._alarms: dict[str, AlarmState] = {}
        self._marks: deque[Mark] = deque(maxlen=MARKS)
        self._scrap: deque[tuple[float, float]] = deque(maxlen=MARKS)

    # ---- what comes in -------------------------------------------------------------------------------------------------

    def note(self, item: object) -> None:
        """Take the next thing the core put out; what the view has no place for is passed over."""
        if isinstance(item, Measured):
            trace = self.traces.get(item.tag)
            if trace is not None:
                trace.add(item)
        elif isinstance(item, AlarmState):
            self._alarms[item.alarm] = item
        elif isinstance(item, Event):
            self._event(item.data)
        elif isinstance(item, ReelState):
            if item.which == "current":
                self.reel = item.data
        elif isinstance(item, RollupOut) and item.data.end is not None:
            self.latest[f"{item.data.station}.{item.data.tag}"] = item.data

    def see(self, facts: LineFacts) -> None:
        """Take the facts of the line."""
        self.facts = facts

    def _event(self, data: EventData) -> None:
        if isinstance(data, DropEvent):
            self.drops_seen += 1
            self.drops.append(data)
            self._mark("drop", data.metre, data.start, data.end)
        elif isinstance(data, FlawEvent):
            self._mark(data.verdict, data.metre, data.start, data.end)
        elif isinstance(data, ReclassifiedEvent):
            self.reclassified += len(data.pieces)
            self._reclassify(data)
        elif isinstance(data, SparkEvent):
            self._mark("spark", data.metre, data.start, data.end)
        elif isinstance(data, CutEvent):
            self._mark("cut", data.metre, data.start, data.end)
        elif isinstance(data, StretchEvent) and data.mark == "scrap" and data.start is not None and data.end is not None:
            self._scrap.append((data.start, data.end))

    def _mark(self, kind: MarkKind, metre: float | None, start: float | None, end: float | None) -> None:
        if metre is None and start is not None and end is not None:
            metre = (start + end) / 2
        if metre is not None:
            self._marks.append(Mark(kind, metre))

    def _reclassify(self, data: ReclassifiedEvent) -> None:
        """Drops that turned out to be lumps are drawn as lumps, and leave the list of drops."""

        def hit(metre: float | None) -> bool:
            return metre is not None and any(low - 0.01 <= metre <= high + 0.01 for low, high in data.pieces)

        marks = [Mark("lump", m.metre) if m.kind == "drop" and hit(m.metre) else m for m in self._marks]
        self._marks = deque(marks, maxlen=MARKS)
        self.drops = deque((d for d in self.drops if not hit(d.metre)), maxlen=DROPS)

    # ---- what is asked -------------------------------------------------------------------------------------------------

    def wrong(self) -> list[ShownAlarm]:
        """Alarms that want attention, the most pressing first.

        Before priority: alarms nobody has in hand, and those whose cable has not yet gone on the reel or that have no metre.
        """
        shown = [self._shown(state) for state in self._alarms.values() if state.state in _OPEN and not state.trial]

        def order(alarm: ShownAlarm) -> tuple[bool, bool, int, float]:
            gone = not alarm.state.active and alarm.distance is not None and alarm.distance < 0
            near = alarm.distance if alarm.distance is not None else math.inf
            return (gone, alarm.acknowledged, _ORDER[alarm.state.priority], near)

        return sorted(shown, key=order)

    def held(self) -> list[AlarmState]:
        """Alarms that are active but told nobody, because somebody or something holds them: shelved, suppressed, out of service."""
        return [
            state
            for state in self._alarms.values()
            if state.state in _HELD and (state.active or state.state != "suppressed_by_design")
        ]

    def down(self) -> list[str]:
        """Endpoints that are down."""
        return [name for name, up in self.facts.endpoints.items() if not up] if self.facts else []

    def distance(self, metre: float) -> tuple[float | None, float | None]:
        """Metres, and seconds at the present speed, until `metre` reaches the take-up; negative when it has passed."""
        if self.facts is None:
            return None, None
        left = metre - self.facts.metre_at_take_up
        return left, left / self.facts.speed if self.facts.speed > 0.005 else None

    def marks(self, start: float, end: float) -> Iterator[MarkKind]:
        """Marks on the piece ``[start, end)``."""
        return (mark.kind for mark in self._marks if start <= mark.metre < end)

    def scrap(self, start: float, end: float) -> bool:
        """Whether any of the piece is marked as scrap."""
        return any(low < end and start < high for low, high in self._scrap)

    def tolerance(self) -> Toleranced | None:
        """Target and tolerance of the dielectric in make."""
        name = self.facts.product if self.facts else ""
        for key, product in self.plan.product.products.items():
            if name in (key, product.name):
                return product.values.get("dielectric")
        return None

    def take_up_distance(self) -> float:
        """Metres of cable between die and take-up, accumulator included."""
        if self.facts is None:
            return self.take_up
        return self.facts.metre_at_die - self.facts.metre_at_take_up

    def _shown(self, state: AlarmState) -> ShownAlarm:
        if state.metre is None or state.class_ in ("equipment", "system"):
            return ShownAlarm(state, None, None)
        return ShownAlarm(state, *self.distance(state.metre))


def _diameters(plan: LinePlan) -> list[str]:
    """Diameter tags from the die on, in the order of the line."""
    names = {tag.name for tag in plan.tags.values()} | {computed.tag for computed in plan.computed}
    found = []
    for name in names:
        station, _, local = name.partition(".")
        at = plan.stations.get(station)
        if local == "diameter" and at is not None and at.position >= 0:
            found.append((at.position, name))
    return [name for _, name in sorted(found)]
