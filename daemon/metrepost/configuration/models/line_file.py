"""The line file, whole. Loading validates it table by table, so that one fault hides no other; schemas use it as it is."""

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from ..table import Identifier, Table
from .door_tables import DoorsTable
from .endpoint_tables import EndpointTable
from .line_tables import LengthTable, LineTable, MqttTable, NotifyTable, ProductInLine, RecipeTable, RollupsTable, TakeUpTable
from .station_tables import StationTable


def _picks(value: object) -> str:
    return "from a tag" if isinstance(value, dict) and "from" in value else "one product"


class LineFile(Table):
    """A file of ``config/`` that describes one line."""

    format: Literal[1]
    line: LineTable
    product: Annotated[
        Annotated[RecipeTable, Tag("from a tag")] | Annotated[ProductInLine, Tag("one product")], Discriminator(_picks)
    ]
    length: LengthTable | None = None
    take_up: TakeUpTable | None = None
    rollups: RollupsTable | None = None
    endpoint: dict[Identifier, EndpointTable]
    station: dict[Identifier, StationTable]
    mqtt: MqttTable
    notify: NotifyTable | None = None
    doors: DoorsTable | None = None
    override: dict[Identifier, dict[str, Any]] = Field(default_factory=dict)
