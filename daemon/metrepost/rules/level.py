"""Setpoints worked out at load: in the unit of the tag, one number or one for each product, with the refusals that belong to it."""

import math
from collections.abc import Callable, Mapping

from ..line.plan import PRODUCT, Product, Toleranced
from ..readings.units import Quantity, UnitError, affine, factor
from .contract import Site
from .looking_up import UNKNOWN, in_unit
from .setpoint import ProductKey

ABOVE_ZERO = "is not above 0"


class Level:
    """A setpoint in the unit of a tag: one number, or one for each product by name."""

    __slots__ = ("_fixed", "products")

    def __init__(self, fixed: float = math.nan, products: Mapping[str, float] | None = None) -> None:
        self._fixed = fixed
        self.products = products

    def of(self, product: Product) -> float:
        """For cable of a product; NaN where it is not known."""
        return self._fixed if self.products is None else self.products.get(product.name, math.nan)

    def known(self, product: Product) -> float:
        """As `of`; of a product that is not known the smallest of all, lest a flaw be missed."""
        found = self.of(product)
        return self.least() if math.isnan(found) else found

    def each(self) -> list[float]:
        """Every value that it takes."""
        return [self._fixed] if self.products is None else list(self.products.values())

    def least(self) -> float:
        """The smallest of them (NaN when there is none)."""
        return min(self.each(), default=math.nan)


def product_keys(site: Site) -> list[str]:
    """What the products hold, as it is written in a rule: ``product.KEY``."""
    return sorted({f"{PRODUCT}{key}" for product in site.products.values() for key in product.values})


def unit_of(site: Site, named: ProductKey, otherwise: str) -> str:
    """The unit in which the products give a value."""
    return next(
        (product.values[named.key].unit for product in site.products.values() if named.key in product.values), otherwise
    )


def of_products(site: Site, key: str, named: ProductKey, accept: Callable[[Product, Toleranced], float | None]) -> Level:
    """The level that `accept` makes of the value of each product. Told to `site.fail` under `key`: a line without products, and
    products without that value, with the keys there are. `accept` tells by itself what else does not fit, and gives None then."""
    if not site.products:
        site.fail(key, f"{named}: this line has no [product]")
    found: dict[str, float] = {}
    for product in site.products.values():
        value = product.values.get(named.key)
        if value is None:
            site.fail(key, f"product {product.name} has no value {named.key!r}", product_keys(site))
            continue
        level = accept(product, value)
        if level is not None:
            found[product.name] = level
    return Level(products=found)


def level_of(
    site: Site,
    key: str,
    setpoint: Quantity | ProductKey,
    unit: str,
    *,
    difference: bool = False,
    least: str = "",
) -> Level:
    """A setpoint in `unit`, checked for every product; NaN after telling `site.fail`. As a `difference` it is without the offset of
    temperatures, and a product's value must have no tolerance of its own: of two numbers the rule could not know which is meant.
    `least` is what is wrong with 0 and below, where that is refused.
    """
    if isinstance(setpoint, Quantity):
        value = in_unit(site, key, setpoint, unit, difference=difference)
        if least and value <= 0:
            site.fail(key, f"{setpoint} {least}")
        return Level(value)

    def accept(product: Product, value: Toleranced) -> float | None:
        told = f"{setpoint} of product {product.name}"
        if unit.startswith(UNKNOWN):
            return None
        if difference and value.tolerance is not None:
            site.fail(key, f"{told} is a target with a tolerance, and a distance is asked for; name a value without tolerance")
            return None
        try:
            scale, offset = affine(value.unit, unit)
        except UnitError:
            site.fail(key, f"{told} has the wrong dimension: it is in {value.unit or '1 (no unit)'}, the tag in {unit}")
            return None
        found = value.target * (factor(value.unit, unit) if difference else scale) + (0.0 if difference else offset)
        if least and found <= 0:
            site.fail(key, f"{told} {least}")
        return found

    return of_products(site, key, setpoint, accept)
