"""The line itself: names, states, stretches, product choice, length axis, take-up, rollups, broker, people."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field, StringConstraints

from ...events import Class, Priority
from ...readings.units import LengthOrDuration
from ..secrets import Name, Secret
from ..table import (
    AnyLength,
    Filled,
    Identifier,
    NotNegativeDuration,
    NotNegativeLength,
    NotNegativeShare,
    NotNegativeSpeed,
    PositiveDuration,
    PositiveLength,
    PositiveSpeed,
    Table,
    one_or_list,
)
from .product_file import ProductTable


class ProducingTable(Table):
    """The line produces once speed has been above `speed_above` for this long, until it falls below by `hysteresis`."""

    speed_above: PositiveSpeed
    hysteresis: NotNegativeSpeed = 0.0
    for_: LengthOrDuration | None = Field(default=None, alias="for")


class StretchTable(Table):
    """How much cable a happening at the die spoils."""

    before: NotNegativeLength = 0.0
    after: NotNegativeLength = 0.0
    as_: Literal["scrap", "suspect"] = Field(alias="as")


class StretchesTable(Table):
    """Causes of scrap and suspect cable."""

    stop: StretchTable | None = None
    emergency_stop: StretchTable | None = None
    start: StretchTable | None = None
    product_change: StretchTable | None = None
    splice: StretchTable | None = None


class LineTable(Table):
    """Names (levels of topics), files that belong to the line, and what its states are made of."""

    plant: Identifier
    area: Identifier = "-"
    name: Identifier
    rules: Annotated[list[str], *one_or_list("foam-core.toml")] = Field(default_factory=list)
    tags_csv: Annotated[list[str], *one_or_list("registers.csv")] = Field(default_factory=list)
    standstill: PositiveSpeed = 0.5 / 60.0
    producing: ProducingTable | None = None
    threading: str | None = None
    emergency_stop: str | None = None
    stretches: StretchesTable = StretchesTable()


class RecipeTable(Table):
    """The product is picked by a tag. `values`: value of the tag = file in ``products/`` (without .toml)."""

    from_: str = Field(alias="from")
    values: dict[str, Filled] | None = None


class ProductInLine(ProductTable):
    """The one product of the line, or ``from`` a tag that picks a file of ``products/``."""

    model_config = ConfigDict(extra="allow")


class RegistrationTable(Table):
    """How well metres of two stations match: length + share × distance + time × speed."""

    length: NotNegativeLength = 0.05
    share: NotNegativeShare = 0.001
    time: NotNegativeDuration = 0.02


class LengthTable(Table):
    """The length axis."""

    counter: str | None = None
    speed: str | None = None
    reference: str | None = None
    wraps_at: PositiveLength | None = None
    resolution: PositiveLength = 0.01
    max_speed: PositiveSpeed
    reverse_limit: NotNegativeLength = 0.5
    registration: RegistrationTable = RegistrationTable()


class TakeUpTable(Table):
    """Where cable is cut and wound."""

    position: AnyLength | None = None
    station: str | None = None
    cut: str | None = None
    reel: str | None = None
    accumulator: str | None = None


class RollupsTable(Table):
    """Spans of the rollups, the tags they are made for (all tags with a unit when left out), and those of them that a reel is rolled
    up for (all when left out)."""

    lengths: list[Filled] | None = None
    times: list[Filled] | None = None
    tags: list[str] | None = None
    reels: list[str] | None = None


class MqttTable(Table):
    """The broker. `ca`, `certificate` and `key` are paths of files."""

    url: Filled = Field(examples=["mqtt://192.0.2.30:1883"])
    client_id: Annotated[str, StringConstraints(min_length=1, max_length=128)] | None = None
    user: Name | None = None
    password: Secret | None = None
    ca: Filled | None = None
    certificate: Filled | None = None
    key: Filled | None = None
    keepalive: PositiveDuration = 30.0


class PersonTable(Table):
    """A person or desk on the roster."""

    urls: list[Secret] = Field(min_length=1)
    classes: list[Class] | None = Field(default=None, min_length=1)
    priorities: list[Priority] | None = Field(default=None, min_length=1)


class NotifyTable(Table):
    """Who is told, and when many alarms become one flood message."""

    flood: int = Field(default=10, ge=2)
    window: PositiveDuration = 600.0
    people: dict[Identifier, PersonTable] = Field(default_factory=dict)
