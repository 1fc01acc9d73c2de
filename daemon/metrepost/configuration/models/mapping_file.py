"""A mapping file: what the columns of a plant's wide table are, one row a moment, one column a tag."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from ..table import Filled, Table, Unit


class TimeColumn(Table):
    """The column of times. `format` is ``iso`` (RFC 3339), ``seconds``, ``milliseconds`` (since 1970 UTC), or how strptime(3) writes it;
    times without an offset are those of `zone`."""

    column: Filled
    format: Filled = "iso"
    zone: Filled | None = Field(default=None, examples=["Europe/Berlin"])


class ColumnTable(Table):
    """One column. `unit` is that of its numbers, the tag's own when left out; `on_change` drops values that are as before."""

    tag: Filled
    unit: Unit | None = None
    on_change: bool = False


class MappingFile(Table):
    """The whole file. Columns that it does not name are left out."""

    format: Literal[1]
    time: TimeColumn
    separator: Literal[",", ";", "\t", "|"] = ","
    decimal: Literal[".", ","] = "."
    encoding: Filled = "utf-8"
    no_value: list[Annotated[str, StringConstraints(max_length=100)]] = Field(default_factory=lambda: ["", "NaN", "Bad"])
    column: dict[str, ColumnTable] = Field(min_length=1)
