"""What a rule is: settings read from a file, and a small machine that turns readings into findings.

To add a kind: one file here with a `RuleSettings` subclass (its fields are the TOML keys) and a `Rule` subclass, one line in
`kinds.py`. The engine does what all kinds share: `when`, `blind`, `trial`, `because_of`, the alarm states.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal, Protocol

import msgspec
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from ..events import Class, EventData, Priority
from ..line.plan import Product, Registration, Station
from ..readings import Act, Measured, Tag
from ..readings.units import Extent, LengthOrDuration
from .setpoint import Setpoint

if TYPE_CHECKING:
    from .gate import Gate  # which asks a `View`, so it comes after this file

State = Literal["stopped", "threading", "ramping", "producing"]


class Condition(msgspec.Struct, frozen=True, kw_only=True):
    """A limit's condition became true or false. The alarm machine decides what that means.

    `onset_time`/`metre` say where it began; `start`, `end`, `peak` (metres) are given for excursions and windows.
    `pulse` marks a condition that is over as soon as it is told (a flaw that has passed): raise and return in one.
    """

    limit: str
    active: bool
    onset_time: float
    metre: float | None = None
    metre_uncertainty: float | None = None
    start: float | None = None
    end: float | None = None
    peak: float | None = None
    value: float | None = None
    bound: float | None = None
    unit: str = ""
    quality: str = "good"
    explanation: str = ""
    verdict: str = ""
    pulse: bool = False
    data: dict[str, Any] = {}


class Told(msgspec.Struct, frozen=True):
    """An event that a rule wants journalled beside its conditions (flaw, drop, reclassified, stretch)."""

    time: float
    data: EventData


class WetStation(msgspec.Struct, frozen=True):
    """A station became wet, or dry again: its readings are uncertain, `carried_by` carries its product alarms meanwhile."""

    station: str
    carried_by: str
    wet: bool
    metre: float


Finding = Condition | Told | WetStation


class View(Protocol):
    """What a rule may ask about the line while it judges. Everything is as of the present input."""

    @property
    def now(self) -> float:
        """Line time, seconds."""

    @property
    def speed(self) -> float:
        """Line speed, m/s."""

    @property
    def state(self) -> State:
        """Line state now, at the die."""

    def metre_now(self, station: str) -> float:
        """Cable metre in front of a station now (0.0 on a line without a length axis)."""

    def state_at(self, metre: float) -> State:
        """Line state in which that metre was at the die."""

    def product_at(self, metre: float) -> Product:
        """Product of that metre."""

    def last(self, tag: str) -> Measured | None:
        """The last reading of a tag, whatever its quality."""

    def broken_between(self, first: float, second: float) -> bool:
        """Whether the length axis had a discontinuity between two moments (line time)."""

    def active(self, alarm: str) -> bool:
        """Whether an alarm (``rule.limit``) is active."""

    def reel_at(self, metre: float) -> str:
        """The reel on which that metre is expected ("" when not known)."""


def _some(extent: Extent) -> Extent:
    if extent.metres <= 0.0 and extent.seconds <= 0.0:
        raise ValueError("must be more than 0; write a length such as 1 m or a time such as 30 s")
    return extent


SomeLengthOrDuration = Annotated[LengthOrDuration, AfterValidator(_some)]
"""A length or time above 0."""


class LimitText(BaseModel):
    """The rationalization record of one limit, and its priority."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    priority: Priority = "medium"
    cause: str = ""
    consequence: str = ""
    response: str = ""
    respond_within: SomeLengthOrDuration | None = None


class LimitAt(LimitText):
    """A limit with its own setpoint. `at` is in the tag's dimension."""

    at: Setpoint | None = None


class Blind(LimitText):
    """Raise when no good reading came for this long."""

    after: SomeLengthOrDuration


def _one_or_more(value: object) -> object:
    if isinstance(value, str):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


Tags = Annotated[tuple[str, ...], BeforeValidator(_one_or_more), Field(min_length=1)]
"""One tag or a list of tags."""


class HoldOff(BaseModel):
    """Hold the rule for so long after a tag (a setpoint) changed."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, populate_by_name=True)
    after_change_of: str
    for_: SomeLengthOrDuration = Field(alias="for")


class RuleSettings(BaseModel):
    """Keys that every kind takes.

    `when` is answered for the metre in front of the station (the state in which that metre was at the die), `when_now` for the
    present moment, as equipment wants it. Both are CEL.
    """

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False)
    kind: str
    class_: Class = Field(alias="class")
    when: str | None = None
    when_now: str | None = None
    trial: bool = False
    latch: bool = False
    because_of: tuple[str, ...] = ()
    group: str | None = Field(default=None, pattern=r"^[a-z0-9_-]+$")
    hold_off: HoldOff | None = None
    blind: Blind | None = None

    def tags(self) -> tuple[str, ...]:
        """Every tag the rule reads: the engine subscribes it to these and `check` looks them up."""
        raise NotImplementedError

    def limits(self) -> dict[str, LimitText]:
        """The alarms of this rule by limit name (``blind`` is added by the engine)."""
        raise NotImplementedError

    def build(self, name: str, site: "Site") -> "Rule":
        """Make the running rule. Tell `site.fail` whatever does not fit; the result is then not used."""
        raise NotImplementedError


class Site(Protocol):
    """What a rule may look up when it is built."""

    @property
    def tags(self) -> Mapping[str, Tag]:
        """Every tag, computed ones too, by name."""

    @property
    def stations(self) -> Mapping[str, Station]:
        """Stations by name."""

    @property
    def products(self) -> Mapping[str, Product]:
        """Declared products by the key that picks them."""

    @property
    def registration(self) -> Registration:
        """How well metres of two stations match."""

    @property
    def has_axis(self) -> bool:
        """Whether the line has a length axis: length delays and windows need one."""

    @property
    def max_speed(self) -> float:
        """m/s."""

    def fail(self, key: str, wrong: str, allowed: Sequence[str] = ()) -> None:
        """Report a setting that does not fit. `key` is the key path within the rule's table ("" for the table itself);
        `allowed` lists valid names, from which the nearest is offered."""


class Rule:
    """A running rule. Synchronous, deterministic, without clock or I/O; must survive NaN, gaps and any order of input.

    `judge` gets readings that are to be judged: `when` holds for their metre and quality is not bad. `pass_over` gets the
    others: bad ones (`m.quality` is BAD) hold the state; good ones passed over because `when` is false drop pending delays,
    and active conditions end. `hold` gets good ones during `hold_off`. `heard` gets events other rules told, for kinds in
    `listens` (event kinds). A kind that judges at ticks, or values that stand, sets `gate` when it is built and asks it there;
    for the others the engine makes one.
    """

    listens: tuple[str, ...] = ()
    gate: "Gate | None" = None

    def __init__(self, name: str, settings: RuleSettings) -> None:
        self.name = name
        self.settings = settings

    def judge(self, m: Measured, view: View) -> list[Finding]:
        """A reading to be judged."""
        raise NotImplementedError

    def pass_over(self, m: Measured, view: View) -> list[Finding]:
        """A reading that is not judged."""
        return []

    def hold(self, m: Measured, view: View) -> list[Finding]:
        """A good or uncertain reading during `hold_off`: what is active stays, what is pending begins anew, and a value that
        stands is kept, to be judged when the hold-off is over."""
        return []

    def tick(self, view: View) -> list[Finding]:
        """Line time went on."""
        return []

    def unwatched(self) -> None:
        """Nobody looked for a while, for the daemon was down: what comes next does not follow on what came last."""

    def heard(self, event: EventData, view: View) -> list[Finding]:
        """An event of a kind in `listens`."""
        return []

    def snapshot(self) -> dict[str, Any]:
        """All state as JSON-able data, so that a restart goes on where it was."""
        return {}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back what `snapshot` gave. Unknown or missing keys are ignored: a newer version must accept older state."""

    def told_state(self) -> dict[str, Any]:
        """The part of `snapshot` that must agree with what the rule has told: it is kept with the commit that tells it, so that
        after a kill nothing is told twice and no condition is forgotten. All of it, unless that would be large.
        """
        return self.snapshot()

    def undecided(self) -> tuple[str, float] | None:
        """Station and metre from which on something is under way that is not told yet: lost by a kill, so told as a gap then."""
        return None

    def act(self, act: Act, view: View) -> list[Finding]:
        """Something a person saw or did that concerns rules (``drop_seen``)."""
        return []
