"""A layered core (skin, foam, skin): capacitors in series. Elementary electrostatics."""

from collections.abc import Sequence
from math import pi, sqrt

import msgspec

from .coax import EPSILON_0, GeometryError, checked_permittivity, inductance, ratio_log


class Layer(msgspec.Struct, frozen=True):
    """A layer out to diameter `outer` (the unit of all diameters is one) of relative permittivity `permittivity`."""

    outer: float
    permittivity: float


def effective_permittivity(inner: float, layers: Sequence[Layer]) -> float:
    """ε_eff = ln(D/d) / Σ ln(D_i/D_{i−1})/ε_i. Raises GeometryError, naming the layer, for diameters that do not grow and
    permittivities below 1."""
    series = _series(inner, layers)
    # a mean of permittivities from 1 on; all 1, it may come out a last digit below
    return max(1.0, ratio_log(inner, layers[-1].outer) / series)


def capacitance(inner: float, layers: Sequence[Layer]) -> float:
    """F/m of the layers in series. Raises GeometryError as above."""
    return 2 * pi * EPSILON_0 / _series(inner, layers)


def impedance(inner: float, layers: Sequence[Layer]) -> float:
    """√(L/C), ohm: the layers change C, not L. Raises GeometryError as above."""
    each = capacitance(inner, layers)
    return sqrt(inductance(inner, layers[-1].outer) / each)


def _series(inner: float, layers: Sequence[Layer]) -> float:
    """Σ ln(D_i/D_{i−1})/ε_i."""
    if not layers:
        raise GeometryError("there is no layer; a core has at least one")
    below, total = inner, 0.0
    for number, layer in enumerate(layers, 1):
        try:
            total += ratio_log(below, layer.outer) / checked_permittivity(layer.permittivity)
        except GeometryError as error:
            raise GeometryError(f"layer {number} of {len(layers)} from the conductor: {error}") from None
        below = layer.outer
    return total


def foam_permittivity(effective: float, inner: float, below: float, above: float, outer: float, skin: float) -> float:
    """Permittivity of the foam between two skins, from the `effective` one of the core: `effective_permittivity` solved for it.

    The foam reaches from diameter `below` to `above`; the skins, of permittivity `skin`, from `inner` to `below` and from `above` to
    `outer`. Raises GeometryError for diameters that cannot be, and where the skins alone would make less capacitance.
    """
    skin, effective = checked_permittivity(skin), checked_permittivity(effective)
    skins = (ratio_log(inner, below) if below != inner else 0.0) + (ratio_log(above, outer) if outer != above else 0.0)
    rest = ratio_log(inner, outer) / effective - skins / skin
    if not rest > 0.0:
        raise GeometryError(
            f"a core of permittivity {effective:g} leaves no foam between skins of {skin:g}: their permittivity must be above "
            f"{effective * skins / ratio_log(inner, outer):g} for skins as thick as these"
        )
    return checked_permittivity(ratio_log(below, above) / rest)
