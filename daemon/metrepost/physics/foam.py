"""Foamed polyethylene: permittivity against the gas share f (0 solid, 1 gas), forward and inverse, and density.

`solid` is the permittivity of the solid (2.26 to 2.30 for polyethylene), gas counts 1. Sources: Maxwell Garnett, *Phil. Trans.* A203
(1904) 385; Bruggeman, *Ann. Phys.* 24 (1935) 636; Looyenga, *Physica* 31 (1965) 401 (all from memory; the book that compares them,
Sihvola, *Electromagnetic Mixing Formulas and Applications*, IEE 1999, is verified to exist). No model is the material: calibrate
with weighed samples.
"""

from collections.abc import Callable
from math import sqrt

SOLID = 2.28
"""Relative permittivity of solid polyethylene used when nothing else is said (handbook value, from memory)."""


class MixtureError(ValueError):
    """A gas share or permittivity outside what a foam can have."""


def _share(gas: float) -> float:
    if not 0.0 <= gas <= 1.0:
        raise MixtureError(f"gas share {gas:g} is not in 0 … 1")
    return gas


def maxwell_garnett(gas: float, solid: float = SOLID) -> float:
    """Bubbles in a solid: ε = εs + 3f·εs(1−εs)/[1+2εs−f(1−εs)]; here also the upper bound of Hashin and Shtrikman."""
    f = _share(gas)
    return solid + 3 * f * solid * (1 - solid) / (1 + 2 * solid - f * (1 - solid))


def bruggeman(gas: float, solid: float = SOLID) -> float:
    """Both phases alike: f(1−ε)/(1+2ε) + (1−f)(εs−ε)/(εs+2ε) = 0, the positive root."""
    f = _share(gas)
    b = f * (2 - solid) + (1 - f) * (2 * solid - 1)
    return (b + sqrt(b * b + 8 * solid)) / 4


def looyenga(gas: float, solid: float = SOLID) -> float:
    """ε^(1/3) = f + (1−f)·εs^(1/3)."""
    f = _share(gas)
    return float((f + (1 - f) * solid ** (1 / 3)) ** 3)


MODELS: dict[str, Callable[[float, float], float]] = {
    "maxwell-garnett": maxwell_garnett,
    "bruggeman": bruggeman,
    "looyenga": looyenga,
}
"""Models by the name they have in files."""


def gas_share(permittivity: float, model: str = "looyenga", solid: float = SOLID) -> float:
    """The gas share that gives `permittivity` (foaming degree), 0 … 1. Raises MixtureError outside 1 … `solid` or for an unknown model."""
    if model not in MODELS:
        raise MixtureError(f"there is no model {model!r}; there are {', '.join(MODELS)}")
    if not 1.0 - 1e-9 <= permittivity <= solid + 1e-9:
        raise MixtureError(f"permittivity {permittivity:.4f} is not between 1 (gas) and {solid:g} (solid)")
    permittivity = min(max(permittivity, 1.0), solid)
    if model == "looyenga":
        root = solid ** (1 / 3)
        return float((root - permittivity ** (1 / 3)) / (root - 1))
    if model == "maxwell-garnett":
        p = (permittivity - solid) / (permittivity + 2 * solid)
        return p / ((1 - solid) / (1 + 2 * solid))
    e = permittivity
    solid_term = (solid - e) / (solid + 2 * e)
    return solid_term / (solid_term - (1 - e) / (1 + 2 * e))


def density(gas: float, solid: float) -> float:
    """Density of the foam in the unit of `solid` (0.92 to 0.96 g/cm³ for polyethylene); the gas weighs nothing."""
    return (1 - _share(gas)) * solid


def gas_share_from_density(foam: float, solid: float) -> float:
    """f = 1 − ρ_foam/ρ_solid, from a weighed metre."""
    if not 0 <= foam <= solid:
        raise MixtureError(f"foam density {foam:g} is not between 0 and that of the solid, {solid:g}")
    return 1 - foam / solid


def wiener(gas: float, solid: float = SOLID) -> tuple[float, float]:
    """Bounds of Wiener: series and parallel."""
    f = _share(gas)
    return 1 / (f + (1 - f) / solid), f + (1 - f) * solid


def hashin_shtrikman_lower(gas: float, solid: float = SOLID) -> float:
    """Lower bound of Hashin and Shtrikman: spheres of solid in gas."""
    f = _share(gas)
    return 1 + 3 * (1 - f) * (solid - 1) / (solid + 2 - (1 - f) * (solid - 1))
