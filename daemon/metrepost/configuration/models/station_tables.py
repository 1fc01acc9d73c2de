"""Stations and their tags."""

from typing import Literal

from pydantic import Field

from ...readings.units import AnyQuantity
from ..table import (
    AnyLength,
    Filled,
    Identifier,
    NotNegativeDuration,
    NotNegativeLength,
    PositiveDuration,
    QuantityPair,
    Table,
    Unit,
    Window,
)

MODBUS_KEYS = ("unit_id", "table", "register", "type", "bit", "word_order", "byte_order", "clears_on_read")
OPCUA_KEYS = ("node", "path")
MQTT_KEYS = ("topic", "pointer", "quality_pointer", "quality_good", "time_pointer")


class TagTable(Table):
    """One tag, or the defaults of a station's tags. What its endpoint needs of these keys is checked once they are joined."""

    endpoint: Identifier | None = None
    unit_id: int | None = Field(default=None, ge=0, le=255)
    table: Literal["coil", "discrete", "input", "holding"] | None = None
    register_: int | None = Field(default=None, alias="register", ge=0, le=65536)
    type: Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bool"] | None = None
    bit: int | None = Field(default=None, ge=0, le=15)
    word_order: Literal["big", "little"] | None = None
    byte_order: Literal["big", "little"] | None = None
    clears_on_read: bool | None = None
    node: Filled | None = Field(default=None, examples=["nsu=urn:northmere:core-3;s=Trough.Temperature"])
    topic: Filled | None = Field(default=None, examples=["gauges/cold/diameter"])
    pointer: str | None = Field(default=None, examples=["/data/diameter"])
    quality_pointer: str | None = None
    quality_good: Filled | None = None
    time_pointer: str | None = None
    path: Filled | None = Field(default=None, examples=["Objects/Trough/Temperature"])
    scale: float | None = None
    offset: float | None = None
    unit: Unit | None = None
    valid: QuantityPair | None = None
    holds: Literal["instant", "mean", "max", "min"] | None = None
    window: Window | None = None
    poll: PositiveDuration | None = None
    uncertainty: AnyQuantity | None = None
    on_change: AnyQuantity | None = None
    at_least_every: PositiveDuration | None = None


class ComputedTable(Table):
    """A tag worked out of others of the line; tags of the same station by their short names."""

    function: str
    of: list[str] = Field(min_length=1)
    conductor: str | None = None
    strands: int | str | None = None
    strand_factor: float | str | None = None
    braid_wire: str | None = None
    braid_factor: float | str | None = None
    inner_skin: str | None = None
    outer_skin: str | None = None
    skin_permittivity: float | str | None = None
    model: str | None = None
    solid: float | str | None = None
    solid_density: str | None = None
    reference: str | None = None
    valid: QuantityPair | None = None
    on_change: AnyQuantity | None = None
    at_least_every: PositiveDuration | None = None


class StationTable(Table):
    """A place along the line. `latency` is taken off source times."""

    position: AnyLength
    aperture: NotNegativeLength = 0.0
    latency: NotNegativeDuration = 0.0
    defaults: TagTable = TagTable()
    tags: dict[Identifier, TagTable] = Field(default_factory=dict)
    computed: dict[Identifier, ComputedTable] = Field(default_factory=dict)
