"""A setpoint that may differ from product to product: a quantity, or ``product.KEY``, that value of the product of each metre."""

from typing import Annotated

import msgspec
from pydantic import BeforeValidator, InstanceOf, PlainSerializer, WithJsonSchema

from ..line.plan import PRODUCT
from ..readings.units import Quantity, UnitError


class ProductKey(msgspec.Struct, frozen=True):
    """A value of the product, by its key."""

    key: str

    def __str__(self) -> str:
        return PRODUCT + self.key


def _parse(value: object) -> Quantity | ProductKey:
    if isinstance(value, ProductKey):
        return value
    if isinstance(value, str) and value.strip().startswith(PRODUCT):
        return ProductKey(value.strip().removeprefix(PRODUCT))
    try:
        return Quantity.parse(value)
    except UnitError as error:
        raise UnitError(f"{error}; or name a value of the product, such as {PRODUCT}dielectric") from error


Setpoint = Annotated[
    InstanceOf[Quantity] | InstanceOf[ProductKey],
    BeforeValidator(_parse),
    PlainSerializer(str),
    WithJsonSchema({"type": "string", "examples": ["4.80 mm"]}),
]
"""A quantity, or a value of the product. The dimension is checked at load, against the tag's unit."""
