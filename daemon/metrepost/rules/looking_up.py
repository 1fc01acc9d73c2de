"""What every kind looks up when it is built, with the refusals that belong to it. All lengths in metres, times in seconds."""

import math

from ..readings import Measured, Tag
from ..readings.units import Extent, Quantity, UnitError, same_dimension
from .contract import Site

UNKNOWN = "?"
"""Unit of a tag that does not exist: nothing is checked against it, for the missing tag is the error."""


def find_tag(site: Site, name: str) -> Tag:
    """The tag of that name. A tag of `RuleSettings.tags` that does not exist is reported by whoever looks those up, not here."""
    return site.tags.get(name) or Tag(name, name.partition(".")[0], UNKNOWN)


def check_extent(site: Site, key: str, extent: Extent | None) -> None:
    """Refuse a length on a line that has no length axis."""
    if extent is not None and extent.is_length and not site.has_axis:
        site.fail(key, f"{extent} is a length, and the line has no [length] table; write a time such as 30 s")


def positive_extent(site: Site, key: str, extent: Extent) -> None:
    """Refuse 0 where a window or a waiting time must be more, and lengths on a line without axis."""
    if extent.metres <= 0.0 and extent.seconds <= 0.0:
        site.fail(key, "must be more than 0; write a length such as 1 m or a time such as 30 s")
    check_extent(site, key, extent)


def in_unit(site: Site, key: str, quantity: Quantity, unit: str, *, difference: bool = False) -> float:
    """A quantity in `unit` (as a difference: without the offset of temperatures). NaN after telling `site.fail`."""
    if unit.startswith(UNKNOWN):
        return math.nan
    try:
        return quantity.difference_to(unit) if difference else quantity.to(unit)
    except UnitError as error:
        same = same_dimension(quantity.unit, unit)
        site.fail(key, str(error) if same else f"{quantity} has the wrong dimension; the tag is in {unit or '1 (no unit)'}")
        return math.nan


def usable(m: Measured) -> bool:
    """Whether the numbers of a reading can be reckoned with."""
    return math.isfinite(m.value) and math.isfinite(m.metre) and math.isfinite(m.time)
