"""What the core says: events, rollups, present alarm states. Plain data; the schemas shipped to IT are made from these.

Each event kind is one struct; its class names the topic level (``event/<kind>``) and the CloudEvents type
(``metrepost.<kind>.v1``). Lengths are metres, times in text are RFC 3339, `time` is line time in seconds.
"""

from typing import Any, ClassVar, Literal

import msgspec

Class = Literal["product", "equipment", "process", "system"]
Priority = Literal["low", "medium", "high", "critical"]
SEVERITY: dict[str, int] = {"low": 100, "medium": 400, "high": 700, "critical": 900}
"""OPC UA severities of the four priorities (OPC 10000-9, 1 to 1000)."""

Transition = Literal[
    "raised",
    "returned",
    "acknowledged",
    "latched",
    "reset",
    "shelved",
    "unshelved",
    "suppressed",
    "unsuppressed",
    "out_of_service",
    "in_service",
    "cleared",
]
StateName = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned_unacknowledged",
    "latched_unacknowledged",
    "latched_acknowledged",
    "shelved",
    "suppressed_by_design",
    "out_of_service",
]


class Piece(msgspec.Struct, frozen=True, kw_only=True):
    """Fields that tie an event to the cable. `start`/`end` go on the wire as ``from``/``to``."""

    metre: float | None = None
    metre_uncertainty: float | None = None
    start: float | None = msgspec.field(default=None, name="from")
    end: float | None = msgspec.field(default=None, name="to")
    peak: float | None = None


class AlarmEvent(Piece, frozen=True, kw_only=True):
    """A transition of one alarm."""

    kind: ClassVar[str] = "alarm"
    alarm: str
    rule: str
    limit: str
    class_: Class = msgspec.field(name="class")
    priority: Priority
    severity: int
    transition: Transition
    state: StateName
    previous: StateName
    trial: bool = False
    onset: str = ""
    decided: str = ""
    decided_metre: float | None = None
    value: float | None = None
    bound: float | None = None
    unit: str = ""
    quality: str = "good"
    by: str = ""
    reason: str = ""
    cause: str = ""
    consequence: str = ""
    response: str = ""
    respond_within: str = ""
    explanation: str = ""
    because_of: list[str] = []
    expected_reel: str = ""
    takes_up_at: str = ""
    verdict: str = ""
    first_out: bool = False
    data: dict[str, Any] = {}


class FlawEvent(Piece, frozen=True, kw_only=True):
    """One excursion that was judged. `verdict` says how; `alarmed` whether it raised the rule's alarm."""

    kind: ClassVar[str] = "flaw"
    rule: str
    station: str
    direction: Literal["lump", "neck"]
    verdict: Literal["lump", "neck", "unwitnessed"]
    alarmed: bool
    height: float
    limit: float
    unit: str
    length_low: float
    length_high: float
    decided: str
    explanation: str
    witness: dict[str, Any] | None = None
    expected_reel: str = ""


class DropEvent(Piece, frozen=True, kw_only=True):
    """An excursion the witness did not see: taken for water, provisionally. Both traces are kept."""

    kind: ClassVar[str] = "drop"
    rule: str
    station: str
    height: float
    limit: float
    unit: str
    length_low: float
    length_high: float
    decided: str
    explanation: str
    provisional: bool = True
    witness: dict[str, Any] | None = None
    trace: list[list[float]] = []
    witness_trace: list[list[float]] = []
    expected_reel: str = ""


class ReclassifiedEvent(Piece, frozen=True, kw_only=True):
    """Drops that turned out to be lumps. `pieces` lists ``[from, to]`` of each."""

    kind: ClassVar[str] = "reclassified"
    rule: str
    station: str
    reason: str
    pieces: list[list[float]]
    period: float | None = None
    decided: str
    explanation: str


class SparkEvent(Piece, frozen=True, kw_only=True):
    """Spark faults counted since the last good reading of the counter, within ``[from, to]``."""

    kind: ClassVar[str] = "spark"
    station: str
    tag: str
    faults: int
    decided: str
    expected_reel: str = ""


class CutEvent(Piece, frozen=True, kw_only=True):
    """A cut at the take-up. `reel` ends here."""

    kind: ClassVar[str] = "cut"
    reel: str
    next_reel: str = ""
    decided: str
    explanation: str = ""


class StretchEvent(Piece, frozen=True, kw_only=True):
    """A marked piece of cable."""

    kind: ClassVar[str] = "stretch"
    mark: Literal["scrap", "suspect", "untested", "wet", "gap"]
    cause: str
    station: str = ""
    open: bool = False
    by: str = ""
    decided: str
    explanation: str = ""


class CounterEvent(Piece, frozen=True, kw_only=True):
    """The length counter did something that its settings do not explain, or wrapped, or stands still."""

    kind: ClassVar[str] = "counter"
    what: Literal["wrap", "reverse", "discontinuity", "standing", "restart"]
    before: float
    after: float
    bridged: float
    decided: str
    explanation: str


class LineEvent(Piece, frozen=True, kw_only=True):
    """Line state or product changed at the die."""

    kind: ClassVar[str] = "line"
    state: str
    previous: str
    product: str
    decided: str


class EndpointEvent(msgspec.Struct, frozen=True, kw_only=True):
    """An endpoint was lost or came back."""

    kind: ClassVar[str] = "endpoint"
    endpoint: str
    up: bool
    reason: str
    decided: str


class ClockEvent(msgspec.Struct, frozen=True, kw_only=True):
    """The wall clock was stepped; line time was not."""

    kind: ClassVar[str] = "clock"
    step: float
    decided: str
    explanation: str


class LossEvent(msgspec.Struct, frozen=True, kw_only=True):
    """Rows that had to go for want of space before they were delivered, declared."""

    kind: ClassVar[str] = "loss"
    stream: Literal["event", "rollup"]
    epoch: str
    first: int
    last: int
    count: int
    reason: str
    decided: str


class Change(msgspec.Struct, frozen=True):
    """One key of a configuration file that is not as before; "" for a key that is not there."""

    file: str
    key: str
    before: str
    after: str


class ConfigurationEvent(msgspec.Struct, frozen=True, kw_only=True):
    """The daemon started or stopped, took over changed files or refused them, or opened a new epoch.

    `changes` are those of a reload, at most the first 200; `explanation` says how many there are.
    """

    kind: ClassVar[str] = "configuration"
    what: Literal["start", "stop", "reload", "reload_refused", "epoch"]
    version: str
    decided: str
    explanation: str
    changes: list[Change] = []
    previous_epoch: str = ""
    previous_last: dict[str, int] = {}


class NoteEvent(Piece, frozen=True, kw_only=True):
    """What a person wrote down."""

    kind: ClassVar[str] = "note"
    text: str
    by: str
    decided: str


class SampleEvent(Piece, frozen=True, kw_only=True):
    """A result of a sample that was taken from the cable: a weighed metre, a wall thickness, a measured impedance."""

    kind: ClassVar[str] = "sample"
    what: str
    value: float
    unit: str
    reel: str = ""
    by: str
    decided: str


class LoadEvent(msgspec.Struct, frozen=True, kw_only=True):
    """An alarm flood began or ended."""

    kind: ClassVar[str] = "flood"
    class_: Class = msgspec.field(name="class")
    began: bool
    alarms: int
    decided: str
    explanation: str


EventData = (
    AlarmEvent
    | FlawEvent
    | DropEvent
    | ReclassifiedEvent
    | SparkEvent
    | CutEvent
    | StretchEvent
    | CounterEvent
    | LineEvent
    | EndpointEvent
    | ClockEvent
    | LossEvent
    | ConfigurationEvent
    | NoteEvent
    | SampleEvent
    | LoadEvent
)
EVENT_KINDS: tuple[type[Any], ...] = EventData.__args__


class Event(msgspec.Struct, frozen=True):
    """One event for the ``event`` stream. `time` is the onset in line time; the journal gives it its number."""

    time: float
    data: EventData


class Rollup(msgspec.Struct, frozen=True, kw_only=True):
    """Statistics of one tag over one bucket of time, length or reel, for the ``rollup`` stream.

    Means and deviations are of good readings, weighted by the length each stands for (by time in spans of time). `metres_*` add up
    to the bucket's length. `pp`/`ppk` use the overall deviation, `cp`/`cpk` the moving range of 1 m means / 1.128; they stand only
    for tags with product limits.
    """

    span: str
    station: str
    tag: str
    unit: str
    opened: str
    closed: str
    start: float | None = msgspec.field(default=None, name="from")
    end: float | None = msgspec.field(default=None, name="to")
    n: int
    metres_good: float
    metres_uncertain: float
    metres_bad: float
    metres_left_out: float
    min: float | None = None
    max: float | None = None
    mean: float | None = None
    sd: float | None = None
    first: float | None = None
    last: float | None = None
    pp: float | None = None
    ppk: float | None = None
    cp: float | None = None
    cpk: float | None = None
    reel: str = ""


class RollupOut(msgspec.Struct, frozen=True):
    """A closed bucket, to be committed to the ``rollup`` stream. `time` is when it opened, in line time."""

    time: float
    data: Rollup


class AlarmState(msgspec.Struct, frozen=True, kw_only=True):
    """The present state of one alarm, whole: the retained payload of ``alarm/<rule>/<limit>``."""

    alarm: str
    rule: str
    limit: str
    class_: Class = msgspec.field(name="class")
    priority: Priority
    severity: int
    state: StateName
    active: bool
    since: str
    acknowledged_by: str = ""
    shelved_until: str = ""
    trial: bool = False
    value: float | None = None
    bound: float | None = None
    unit: str = ""
    metre: float | None = None
    takes_up_at: str = ""
    cause: str = ""
    consequence: str = ""
    response: str = ""
    explanation: str = ""
    first_out: bool = False


class ReelSummary(msgspec.Struct, frozen=True, kw_only=True):
    """The reel record in short: retained payload of ``reel/current`` and ``reel/last``.

    Flaw lists give the cable metre, and the metre from both ends of the reel (start = first metre wound).
    """

    reel: str
    product: str
    start: float = msgspec.field(name="from")
    end: float | None = msgspec.field(default=None, name="to")
    length: float
    uncertainty: float
    closed: bool
    flaws: list[dict[str, Any]] = []
    drops: list[dict[str, Any]] = []
    sparks: list[dict[str, Any]] = []
    stretches: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    samples: list[dict[str, Any]] = []
    statistics: dict[str, dict[str, Any]] = {}


class ReelState(msgspec.Struct, frozen=True):
    """`which` is ``current`` or ``last``."""

    which: Literal["current", "last"]
    data: ReelSummary
