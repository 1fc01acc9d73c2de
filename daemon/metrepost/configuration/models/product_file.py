"""A product: target and tolerance of each quantity that the data sheet promises."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema, model_validator

from ...readings.units import AnyQuantity, Quantity, same_dimension
from ..table import Filled, Table


class TolerancedTable(Table):
    """A target, with a tolerance to both sides when there is one."""

    target: AnyQuantity
    tolerance: AnyQuantity | None = None

    @model_validator(mode="after")
    def _fits(self) -> "TolerancedTable":
        if self.tolerance is None:
            return self
        if not same_dimension(self.target.unit, self.tolerance.unit):
            raise ValueError(f"the tolerance {self.tolerance} and the target {self.target} measure different things")
        if self.tolerance.magnitude <= 0:
            raise ValueError(f"the tolerance {self.tolerance} must be more than 0; leave it out when there is none")
        return self


def _bare_target(value: object) -> object:
    return value if isinstance(value, dict | TolerancedTable) else {"target": Quantity.parse(value)}


ProductValue = Annotated[
    TolerancedTable,
    BeforeValidator(_bare_target),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "examples": ["75 ohm"]},
                {
                    "type": "object",
                    "properties": {
                        "target": {"type": "string", "examples": ["4.80 mm"]},
                        "tolerance": {"type": "string", "examples": ["0.05 mm"]},
                    },
                    "required": ["target"],
                    "additionalProperties": False,
                },
            ]
        }
    ),
]
"""``"75 ohm"`` or ``{ target = "4.80 mm", tolerance = "0.05 mm" }``."""


class ProductTable(Table):
    """A product: its name (free text) and quantities by key, such as `conductor`, `dielectric`, `impedance`."""

    model_config = ConfigDict(extra="allow")  # the keys are the factory's own; rules name them as product.KEY
    __pydantic_extra__: dict[str, ProductValue] = Field(init=False)
    name: Filled

    @property
    def values(self) -> dict[str, TolerancedTable]:
        """Quantities by key."""
        extra: dict[str, Any] = self.__pydantic_extra__
        return extra


class ProductFile(Table):
    """A file of ``products/``."""

    format: Literal[1]
    product: ProductTable
