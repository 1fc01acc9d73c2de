"""What the formulas take: finite numbers in bounds, or an error that says what is allowed. NaN is in no bounds.

The bounds are no opinion about cables. They are so wide that nothing real meets them, and so narrow that no formula inside them
overflows, divides by zero or answers infinity.
"""

LEAST, MOST = 1e-12, 1e12
"""Bounds of whatever is above 0: diameters, lengths, periods, impedances, densities, in their units."""
PERMITTIVITY_MOST = 1e6
"""Greatest relative permittivity; ceramics reach some 1e4."""


class PhysicsError(ValueError):
    """Input that a formula has no answer for. The sentence names the input, its value and what is allowed."""


def within(value: float, low: float, high: float, name: str, error: type[PhysicsError]) -> float:
    """`value`, if it is in `low` … `high`. Raises `error` otherwise."""
    if not low <= value <= high:
        raise error(f"{name} is {value:g}; allowed is {low:g} … {high:g}")
    return value


def above_zero(value: float, name: str, error: type[PhysicsError]) -> float:
    """`value`, if it is above 0. Raises `error` otherwise."""
    if not LEAST <= value <= MOST:
        raise error(f"{name} is {value:g}; it must be above 0 ({LEAST:g} … {MOST:g})")
    return value


def zero_or_more(value: float, name: str, error: type[PhysicsError]) -> float:
    """`value`, if it is 0 or more and finite. Raises `error` otherwise."""
    if not 0.0 <= value <= MOST:
        raise error(f"{name} is {value:g}; it must be 0 or more (up to {MOST:g})")
    return value


def finite(value: float, name: str, error: type[PhysicsError]) -> float:
    """`value`, if it is a number of either sign. Raises `error` otherwise."""
    if not -MOST <= value <= MOST:
        raise error(f"{name} is {value:g}; it must be a number (-{MOST:g} … {MOST:g})")
    return value
