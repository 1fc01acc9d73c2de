"""Corrections for stranded conductors and braided outer conductors, as data.

Both are quoted by coax design handbooks; no page of one was seen. **From memory: treat them as settings, not as facts.**
"""

from collections.abc import Mapping

from .allowed import PhysicsError, above_zero, within, zero_or_more
from .coax import GeometryError

STRAND_FACTOR: dict[int, float] = {1: 1.0, 7: 0.939, 12: 0.957, 19: 0.970, 27: 0.976, 37: 0.980, 61: 0.985, 91: 0.988}
"""Effective diameter over circumscribed diameter, by number of strands (from memory)."""

BRAID_WIRES = 1.5
"""Braid wire diameters added to the core's diameter for the effective outer conductor (from memory)."""


class StrandError(PhysicsError):
    """A number of strands that the table does not have, or a factor that cannot be."""


def effective_inner(circumscribed: float, strands: int, factors: Mapping[int, float] | None = None) -> float:
    """Effective conductor diameter in the unit given. Raises StrandError, naming what the table has, GeometryError for a diameter
    that is not above 0."""
    table = STRAND_FACTOR if factors is None else factors
    if strands not in table:
        raise StrandError(f"no factor for {strands} strands; there are {', '.join(map(str, table))}")
    factor = within(table[strands], 0.5, 1.0, f"factor of {strands} strands", StrandError)
    return above_zero(circumscribed, "circumscribed diameter", GeometryError) * factor


def effective_outer(core: float, braid_wire: float, wires: float = BRAID_WIRES) -> float:
    """Effective inside diameter of a braid over a core, in the unit given. Raises GeometryError unless the core is above 0 and the rest
    0 or more."""
    standing_off = zero_or_more(braid_wire, "braid wire", GeometryError) * within(
        wires, 0.0, 10.0, "braid wires", GeometryError
    )
    return above_zero(core, "core diameter", GeometryError) + standing_off
