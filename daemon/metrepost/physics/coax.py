"""A concentric line: impedance, capacitance, inductance, velocity, delay.

`inner` is the conductor's outer diameter, `outer` the inside diameter of the outer conductor, in one and the same unit. **Name the outer
conductor**: in a water trough it is the water, at the core's own diameter; on the finished cable it is the foil or braid.
Formulas: Pozar, *Microwave Engineering*, line parameters (from memory); constants CODATA 2022 (from memory).

Every function raises GeometryError for diameters that are not 0 < inner < outer, for a permittivity below 1 and for anything that is no
finite number.
"""

from math import log1p, pi, sqrt

from .allowed import LEAST, MOST, PERMITTIVITY_MOST, PhysicsError, above_zero, finite, within

C = 299_792_458.0
"""Speed of light in vacuum, m/s, exact (SI)."""
MU_0 = 1.256_637_061_27e-6
"""Magnetic constant, N/A² (CODATA 2022)."""
EPSILON_0 = 1 / (MU_0 * C**2)
"""Electric constant, F/m: 8.854 187 8188e-12 (CODATA 2022). From the other two, so that Z·C·v is 1 to the last digits: the printed
ones are fewer."""
Z_VACUUM = MU_0 * C
"""Impedance of vacuum, ohm."""


class GeometryError(PhysicsError):
    """Diameters or permittivities that make no line."""


def ratio_log(inner: float, outer: float) -> float:
    """ln(outer / inner). Raises GeometryError unless 0 < inner < outer."""
    if not (0.0 < inner < outer and inner >= LEAST and outer <= MOST):
        raise GeometryError(
            f"inner diameter {inner:g} and outer diameter {outer:g}: 0 < inner < outer must hold ({LEAST:g} … {MOST:g})"
        )
    # for a thin wall the quotient has lost the digits that the difference has
    return log1p((outer - inner) / inner)


def checked_permittivity(value: float) -> float:
    """The relative permittivity, if there can be such a one. Raises GeometryError otherwise."""
    if not 1.0 <= value <= PERMITTIVITY_MOST:
        raise GeometryError(
            f"relative permittivity {value:g} is below 1, that of vacuum, or no number; allowed is 1 … {PERMITTIVITY_MOST:g}"
        )
    return value


def impedance(inner: float, outer: float, permittivity: float) -> float:
    """Z0 = Zvac / (2π√ε) · ln(D/d), ohm."""
    return Z_VACUUM / (2 * pi * sqrt(checked_permittivity(permittivity))) * ratio_log(inner, outer)


def capacitance(inner: float, outer: float, permittivity: float) -> float:
    """C = 2π·ε0·ε / ln(D/d), F/m."""
    return 2 * pi * EPSILON_0 * checked_permittivity(permittivity) / ratio_log(inner, outer)


def inductance(inner: float, outer: float) -> float:
    """L = µ0/2π · ln(D/d), H/m (no internal inductance: high frequency)."""
    return MU_0 / (2 * pi) * ratio_log(inner, outer)


def velocity_factor(permittivity: float) -> float:
    """v/c = 1/√ε."""
    return 1.0 / sqrt(checked_permittivity(permittivity))


def delay(permittivity: float) -> float:
    """Delay in s/m = √ε/c."""
    return sqrt(checked_permittivity(permittivity)) / C


def impedance_from_capacitance(capacitance_per_metre: float, velocity: float) -> float:
    """Z0 = 1/(v·C), ohm, from F/m and the velocity factor (above 0, at most 1).

    MIL-DTL-28830E, 4.7.10.2 states it as 101 670 / (velocity in % × pF/ft) (verified).
    """
    within(capacitance_per_metre, 1e-18, 1.0, "capacitance (F/m)", GeometryError)
    return 1.0 / (within(velocity, LEAST, 1.0, "velocity factor", GeometryError) * C * capacitance_per_metre)


def cutoff(inner: float, outer: float, permittivity: float) -> float:
    """TE11 cut-off, Hz, from diameters in metres: fc ≈ 2c / (π·√ε·(D+d)), the usual approximation (from memory).

    Within 2.7 % of the exact one for D/d up to 10 (by the mode's own equation, in the tests).
    """
    ratio_log(inner, outer)
    return 2 * C / (pi * sqrt(checked_permittivity(permittivity)) * (outer + inner))


def effective_permittivity(capacitance_per_metre: float, inner: float, outer: float) -> float:
    """ε = C·ln(D/d) / (2π·ε0) from a capacitance in F/m. In the water trough `outer` is the core's diameter: water is the conductor.

    Raises GeometryError for a result below 1 or none at all: less than vacuum cannot be, so capacitance or a diameter is wrong.
    """
    found = capacitance_per_metre * ratio_log(inner, outer) / (2 * pi * EPSILON_0)
    # vacuum itself may come out a last digit below 1
    return 1.0 if abs(found - 1.0) < 1e-12 else checked_permittivity(found)


def _changes(inner: float, outer: float, d_inner: float, d_outer: float, d_permittivity_share: float) -> tuple[float, float]:
    by_diameters = finite(d_outer, "change of the outer diameter", GeometryError) / outer
    by_diameters -= finite(d_inner, "change of the inner diameter", GeometryError) / inner
    return by_diameters, finite(d_permittivity_share, "change of permittivity", GeometryError)


def sensitivity_impedance(inner: float, outer: float, d_inner: float, d_outer: float, d_permittivity_share: float) -> float:
    """Relative change of Z0: (dD/D − dd/d)/ln(D/d) − ½·dε/ε (first order)."""
    log_ratio = ratio_log(inner, outer)
    by_diameters, by_permittivity = _changes(inner, outer, d_inner, d_outer, d_permittivity_share)
    return by_diameters / log_ratio - 0.5 * by_permittivity


def sensitivity_capacitance(inner: float, outer: float, d_inner: float, d_outer: float, d_permittivity_share: float) -> float:
    """Relative change of C: dε/ε − (dD/D − dd/d)/ln(D/d) (first order)."""
    log_ratio = ratio_log(inner, outer)
    by_diameters, by_permittivity = _changes(inner, outer, d_inner, d_outer, d_permittivity_share)
    return by_permittivity - by_diameters / log_ratio


def _checked_offset(inner: float, outer: float, offset: float) -> float:
    limit = (outer - inner) / 2
    if not 0.0 <= offset < limit:
        raise GeometryError(f"offset {offset:g} puts the conductor through the outer one; it is at least 0 and below {limit:g}")
    return offset


def eccentric_impedance(inner: float, outer: float, offset: float, permittivity: float) -> float:
    """Z0 of a conductor `offset` off the centre: Zvac/(2π√ε)·arcosh((D² + d² − 4e²)/(2Dd)), exact.

    Source: manual page coax(1) of atlc, a public program for line impedances (verified). Raises GeometryError unless the
    conductor lies inside: offset < (D − d)/2.
    """
    ratio_log(inner, outer)
    _checked_offset(inner, outer, offset)
    # arcosh(1 + t), with t free of the cancellation that D² + d² − 4e² − 2Dd has for thin walls and great offsets
    t = ((outer - inner) - 2 * offset) / (2 * outer) * (((outer - inner) + 2 * offset) / inner)
    return Z_VACUUM / (2 * pi * sqrt(checked_permittivity(permittivity))) * log1p(t + sqrt(t * (t + 2)))


def eccentric_share(inner: float, outer: float, offset: float) -> float:
    """Relative change of Z0 by a small offset: −4e² / [(D² − d²)·ln(D/d)] (derived from the exact form)."""
    log_ratio = ratio_log(inner, outer)
    _checked_offset(inner, outer, offset)
    return -(2 * offset / (outer - inner)) * (2 * offset / (outer + inner)) / log_ratio


def concentricity(thinnest: float, thickest: float) -> float:
    """100·tmin/tmax in %. Standards differ; eccentricity is another figure (from memory)."""
    above_zero(thickest, "thickest wall", GeometryError)
    return 100.0 * within(thinnest, 0.0, thickest, "thinnest wall", GeometryError) / thickest
