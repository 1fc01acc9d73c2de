"""Foamed polyethylene: permittivity against the gas share f (0 solid, 1 gas), forward and inverse, and density.

`solid` is the permittivity of the solid (2.26 to 2.30 for polyethylene), gas counts 1. Sources: Maxwell Garnett, *Phil. Trans.* A203
(1904) 385; Bruggeman, *Ann. Phys.* 24 (1935) 636; Looyenga, *Physica* 31 (1965) 401; Lichtenecker, the logarithmic rule (all from
memory; the book that compares them, Sihvola, *Electromagnetic Mixing Formulas and Applications*, IEE 1999, is verified to exist). No
model is the material: calibrate with weighed samples.

Every function raises MixtureError for a gas share outside 0 … 1, a permittivity that no foam of that solid has, and NaN.
"""

from collections.abc import Callable
from math import expm1, log, sqrt

from .allowed import PhysicsError, above_zero, within

SOLID = 2.28
"""Relative permittivity of solid polyethylene used when nothing else is said (handbook value, from memory)."""

SOLID_MOST = 100.0
"""Greatest permittivity of a solid; plastics end below 20."""


class MixtureError(PhysicsError):
    """A gas share, permittivity or density outside what a foam can have."""


def _share(gas: float) -> float:
    return within(gas, 0.0, 1.0, "gas share", MixtureError)


def _solid(solid: float) -> float:
    return within(solid, 1.0, SOLID_MOST, "permittivity of the solid", MixtureError)


def maxwell_garnett(gas: float, solid: float = SOLID) -> float:
    """Bubbles in a solid: ε = εs + 3f·εs(1−εs)/[1+2εs−f(1−εs)]; here also the upper bound of Hashin and Shtrikman."""
    f, solid = _share(gas), _solid(solid)
    return solid + 3 * f * solid * (1 - solid) / (1 + 2 * solid - f * (1 - solid))


def bruggeman(gas: float, solid: float = SOLID) -> float:
    """Both phases alike: f(1−ε)/(1+2ε) + (1−f)(εs−ε)/(εs+2ε) = 0, the positive root."""
    f, solid = _share(gas), _solid(solid)
    b = f * (2 - solid) + (1 - f) * (2 * solid - 1)
    return (b + sqrt(b * b + 8 * solid)) / 4


def looyenga(gas: float, solid: float = SOLID) -> float:
    """ε^(1/3) = f + (1−f)·εs^(1/3)."""
    f, solid = _share(gas), _solid(solid)
    return float((f + (1 - f) * solid ** (1 / 3)) ** 3)


def lichtenecker(gas: float, solid: float = SOLID) -> float:
    """ln ε = (1−f)·ln εs. A rule of thumb: for plastics it lies below the lower bound of Hashin and Shtrikman (in the tests
    from εs 1.5 to 2.6), which no isotropic foam can."""
    f, solid = _share(gas), _solid(solid)
    return float(solid ** (1 - f))


def _gas_by_maxwell_garnett(permittivity: float, solid: float) -> float:
    p = (permittivity - solid) / (permittivity + 2 * solid)
    return p / ((1 - solid) / (1 + 2 * solid))


def _gas_by_bruggeman(permittivity: float, solid: float) -> float:
    of_solid = (solid - permittivity) / (solid + 2 * permittivity)
    return of_solid / (of_solid - (1 - permittivity) / (1 + 2 * permittivity))


def _gas_by_looyenga(permittivity: float, solid: float) -> float:
    # expm1 of a third of the logarithm: ε^(1/3) − 1 with its digits, also for a solid that is hardly one
    most, there = expm1(log(solid) / 3), expm1(log(permittivity) / 3)
    return (most - there) / most


def _gas_by_lichtenecker(permittivity: float, solid: float) -> float:
    return 1 - log(permittivity) / log(solid)


MODELS: dict[str, Callable[[float, float], float]] = {
    "maxwell-garnett": maxwell_garnett,
    "bruggeman": bruggeman,
    "looyenga": looyenga,
    "lichtenecker": lichtenecker,
}
"""Models by the name they have in files."""

_INVERSE: dict[str, Callable[[float, float], float]] = {
    "maxwell-garnett": _gas_by_maxwell_garnett,
    "bruggeman": _gas_by_bruggeman,
    "looyenga": _gas_by_looyenga,
    "lichtenecker": _gas_by_lichtenecker,
}


def gas_share(permittivity: float, model: str = "looyenga", solid: float = SOLID) -> float:
    """The gas share that gives `permittivity` (foaming degree), 0 … 1.

    Raises MixtureError for a permittivity outside 1 … `solid`, for a solid of 1, which is gas, and for an unknown model.
    """
    if model not in MODELS:
        raise MixtureError(f"there is no model {model!r}; there are {', '.join(MODELS)}")
    # below 1.001 the share of gas would be the rounding of the permittivities
    within(solid, 1.001, SOLID_MOST, "permittivity of the solid", MixtureError)
    if not 1.0 - 1e-9 <= permittivity <= solid + 1e-9:
        raise MixtureError(f"permittivity {permittivity:.4f} is not between 1 (gas) and {solid:g} (solid)")
    found = _INVERSE[model](min(max(permittivity, 1.0), solid), solid)
    return min(max(found, 0.0), 1.0)


def density(gas: float, solid: float) -> float:
    """Density of the foam in the unit of `solid` (0.92 to 0.96 g/cm³ for polyethylene); the gas weighs nothing."""
    return (1 - _share(gas)) * above_zero(solid, "density of the solid", MixtureError)


def gas_share_from_density(foam: float, solid: float) -> float:
    """f = 1 − ρ_foam/ρ_solid, from a weighed metre."""
    above_zero(solid, "density of the solid", MixtureError)
    if not 0 <= foam <= solid:
        raise MixtureError(f"foam density {foam:g} is not between 0 and that of the solid, {solid:g}")
    return 1 - foam / solid


def wiener(gas: float, solid: float = SOLID) -> tuple[float, float]:
    """Bounds of Wiener: series and parallel."""
    f, solid = _share(gas), _solid(solid)
    return 1 / (f + (1 - f) / solid), f + (1 - f) * solid


def hashin_shtrikman_lower(gas: float, solid: float = SOLID) -> float:
    """Lower bound of Hashin and Shtrikman: spheres of solid in gas."""
    f, solid = _share(gas), _solid(solid)
    return 1 + 3 * (1 - f) * (solid - 1) / (solid + 2 - (1 - f) * (solid - 1))
