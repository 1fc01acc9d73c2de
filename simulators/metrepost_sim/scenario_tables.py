"""The tables of a scenario file, as pydantic sees them. Quantities become floats in m, s and m/s, unless a comment says otherwise."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema, model_validator

from metrepost.configuration.table import (
    AnyLength,
    Filled,
    Identifier,
    NotNegativeDuration,
    NotNegativeLength,
    PositiveDuration,
    PositiveLength,
    PositiveSpeed,
    Table,
)
from metrepost.readings.units import AnyQuantity, Extent, LengthOrDuration, Quantity

from .roles import Role


def _degrees(value: object) -> float:
    quantity = Quantity.parse(value)
    if quantity.unit not in ("deg", "degree", "rad"):
        raise ValueError(f'{quantity} is no angle; write "90 deg"')
    return quantity.to("deg")


def _lasting(extent: Extent) -> Extent:
    if not extent.metres and not extent.seconds:
        raise ValueError("the value must be more than 0")
    return extent


Angle = Annotated[float, BeforeValidator(_degrees), WithJsonSchema({"type": "string", "examples": ["90 deg"]})]
"""An angle in a file; degrees in the program."""
Lasting = Annotated[LengthOrDuration, AfterValidator(_lasting)]
"""How long something lasts: a time, or a length of cable that passes meanwhile."""


class RunTable(Table):
    """What the run is like when nothing happens."""

    speed: PositiveSpeed = Field(default=80.0 / 60.0, examples=["80 m/min"])
    counter_start: NotNegativeLength = 1000.0
    duration: Annotated[PositiveDuration, Field(le=86_400.0)] = 3600.0
    recipe: int | None = None
    drops_per_100_m: float = Field(default=0.0, ge=0.0, le=1000.0)
    limit: PositiveLength = 0.06e-3


class EventTable(Table):
    """Something that happens `at` a metre or a time since the start."""

    at: LengthOrDuration


class SeriesTable(EventTable):
    """Something that lies on the cable, once or `count` times, `every` so much cable."""

    count: int = Field(default=1, ge=1, le=10_000)
    every: PositiveLength | None = None

    @model_validator(mode="after")
    def _series(self) -> "SeriesTable":
        if (self.count > 1) != (self.every is not None):
            raise ValueError('count and every belong together, such as count = 10 and every = "1.2 m"')
        return self


class FlawTable(SeriesTable):
    """A lump or a neck, centred on its metre."""

    kind: Literal["lump", "neck"]
    height: PositiveLength
    length: PositiveLength = 0.04
    angle: Angle = 0.0
    width: Annotated[Angle, Field(gt=0.0, le=360.0)] = 360.0
    born: Literal["die", "after-hot"] = "die"


class DropTable(SeriesTable):
    """A drop of water on the core, seen at the cold gauge only."""

    kind: Literal["drop"]
    height: PositiveLength = 0.2e-3
    length: PositiveLength = 0.01


class PinholeTable(SeriesTable):
    """A hole that the spark tester counts."""

    kind: Literal["pinhole"]


class ConductorTable(EventTable):
    """A piece of conductor of another diameter."""

    kind: Literal["conductor"]
    by: AnyLength
    length: PositiveLength = 1.0


class WipeTable(EventTable):
    """The air wipe fails."""

    kind: Literal["wipe"]
    for_: Lasting = Field(alias="for")
    drops_per_100_m: float = Field(default=60.0, gt=0.0, le=1000.0)


class ProcessTable(EventTable):
    """A process value goes away `by` an amount and comes back."""

    kind: Literal["process"]
    what: Literal["nitrogen", "water", "melt", "preheat"]
    by: AnyQuantity
    rise: PositiveDuration = 2.0
    hold: NotNegativeDuration = 5.0
    fall: PositiveDuration = 4.0


class StopTable(EventTable):
    """The line stops and stands until it goes on."""

    kind: Literal["stop"]
    for_: PositiveDuration = Field(alias="for")
    emergency: bool = False


class SpeedTable(EventTable):
    """The line takes another speed."""

    kind: Literal["speed"]
    to: PositiveSpeed
    over: PositiveDuration = 5.0


class ProductTable(EventTable):
    """Another recipe: the core follows at the die."""

    kind: Literal["product"]
    recipe: int
    over: PositiveLength = 20.0


class CutTable(EventTable):
    """A reel change."""

    kind: Literal["cut"]
    fill: PositiveDuration = 6.0
    empty: PositiveDuration = 20.0


class CounterTable(EventTable):
    """The length counter is set to zero, jumps `by` a length, or stands `for` a time."""

    kind: Literal["counter"]
    what: Literal["zero", "jump", "stand"]
    by: AnyLength | None = None
    for_: Lasting | None = Field(default=None, alias="for")

    @model_validator(mode="after")
    def _fits(self) -> "CounterTable":
        if (self.what == "jump") != (self.by is not None):
            raise ValueError('a counter that jumps needs by = "37 m", and no other has it')
        if (self.what == "stand") != (self.for_ is not None):
            raise ValueError('a counter that stands needs for = "4 s", and no other has it')
        return self


class RestartTable(EventTable):
    """An endpoint, left out that of the length counter, is gone and comes back; with `counter_zero` the counter begins at zero then."""

    kind: Literal["restart"]
    endpoint: Identifier | None = None
    for_: Lasting = Field(alias="for")
    counter_zero: bool = False


class StationTable(EventTable):
    """A station stands still, or reads zero, while everything looks well."""

    kind: Literal["station"]
    station: Identifier
    what: Literal["frozen", "zero"] = "frozen"
    for_: Lasting = Field(alias="for")


class TagTable(EventTable):
    """A tag shows `to`, at once or over a time, or is silent."""

    kind: Literal["tag"]
    tag: Filled
    for_: Lasting = Field(alias="for")
    to: AnyQuantity | None = None
    over: NotNegativeDuration = 0.0
    silent: bool = False

    @model_validator(mode="after")
    def _one(self) -> "TagTable":
        if self.silent == (self.to is not None):
            raise ValueError('either to = "30 bar" or silent = true is needed')
        if self.silent and self.over:
            raise ValueError("a silent tag has no over: it is silent at once")
        return self


class SpanTable(EventTable):
    """High voltage of the spark tester is off, or the line is being threaded."""

    kind: Literal["spark-off", "threading"]
    for_: Lasting = Field(alias="for")


AnyEvent = (
    FlawTable
    | DropTable
    | PinholeTable
    | ConductorTable
    | WipeTable
    | ProcessTable
    | StopTable
    | SpeedTable
    | ProductTable
    | CutTable
    | CounterTable
    | RestartTable
    | StationTable
    | TagTable
    | SpanTable
)
EVENTS: dict[str, type[AnyEvent]] = {
    "lump": FlawTable,
    "neck": FlawTable,
    "drop": DropTable,
    "pinhole": PinholeTable,
    "conductor": ConductorTable,
    "wipe": WipeTable,
    "process": ProcessTable,
    "stop": StopTable,
    "speed": SpeedTable,
    "product": ProductTable,
    "cut": CutTable,
    "counter": CounterTable,
    "restart": RestartTable,
    "station": StationTable,
    "tag": TagTable,
    "spark-off": SpanTable,
    "threading": SpanTable,
}
"""The table of each kind of event."""


class SignalTable(Table):
    """What a tag shows, where the line file does not tell: its role, its level, its noise (standard deviation)."""

    as_: Role | None = Field(default=None, alias="as")
    level: AnyQuantity | None = None
    noise: AnyQuantity | None = None
