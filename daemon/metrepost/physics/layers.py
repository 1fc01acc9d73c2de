"""A layered core (skin, foam, skin): capacitors in series. Elementary electrostatics."""

from collections.abc import Sequence
from math import log, pi, sqrt

import msgspec

from .coax import EPSILON_0, GeometryError, inductance


class Layer(msgspec.Struct, frozen=True):
    """A layer out to diameter `outer` (the unit of all diameters is one) of relative permittivity `permittivity`."""

    outer: float
    permittivity: float


def effective_permittivity(inner: float, layers: Sequence[Layer]) -> float:
    """ε_eff = ln(D/d) / Σ ln(D_i/D_{i−1})/ε_i. Raises GeometryError for diameters that do not grow."""
    if not layers:
        raise GeometryError("a core has at least one layer")
    below, total = inner, 0.0
    for layer in layers:
        if not 0.0 < below < layer.outer or not layer.permittivity >= 1.0:
            raise GeometryError(f"layer to {layer.outer:g} over {below:g} with permittivity {layer.permittivity:g} cannot be")
        total += log(layer.outer / below) / layer.permittivity
        below = layer.outer
    return log(below / inner) / total


def capacitance(inner: float, layers: Sequence[Layer]) -> float:
    """F/m of the layers in series."""
    permittivity = effective_permittivity(inner, layers)
    return 2 * pi * EPSILON_0 * permittivity / log(layers[-1].outer / inner)


def impedance(inner: float, layers: Sequence[Layer]) -> float:
    """√(L/C), ohm: the layers change C, not L."""
    each = capacitance(inner, layers)
    return sqrt(inductance(inner, layers[-1].outer) / each)
