"""A concentric line: impedance, capacitance, inductance, velocity, delay.

`inner` is the conductor's outer diameter, `outer` the inside diameter of the outer conductor, in one and the same unit. **Name the outer
conductor**: in a water trough it is the water, at the core's own diameter; on the finished cable it is the foil or braid.
Formulas: Pozar, *Microwave Engineering*, line parameters (from memory); constants CODATA 2022 (from memory).
"""

from math import acosh, log, pi, sqrt

C = 299_792_458.0
"""Speed of light in vacuum, m/s, exact (SI)."""
EPSILON_0 = 8.854_187_8188e-12
"""Electric constant, F/m (CODATA 2022)."""
MU_0 = 1.256_637_061_27e-6
"""Magnetic constant, N/A² (CODATA 2022)."""
Z_VACUUM = MU_0 * C
"""Impedance of vacuum, ohm."""


class GeometryError(ValueError):
    """Diameters or permittivities that make no line."""


def ratio_log(inner: float, outer: float) -> float:
    """ln(outer / inner). Raises GeometryError unless 0 < inner < outer."""
    if not 0.0 < inner < outer:
        raise GeometryError(f"inner diameter {inner:g} and outer diameter {outer:g}: 0 < inner < outer must hold")
    return log(outer / inner)


def _permittivity(value: float) -> float:
    if not value >= 1.0:
        raise GeometryError(f"relative permittivity {value:g} is below 1")
    return value


def impedance(inner: float, outer: float, permittivity: float) -> float:
    """Z0 = Zvac / (2π√ε) · ln(D/d), ohm."""
    return Z_VACUUM / (2 * pi * sqrt(_permittivity(permittivity))) * ratio_log(inner, outer)


def capacitance(inner: float, outer: float, permittivity: float) -> float:
    """C = 2π·ε0·ε / ln(D/d), F/m."""
    return 2 * pi * EPSILON_0 * _permittivity(permittivity) / ratio_log(inner, outer)


def inductance(inner: float, outer: float) -> float:
    """L = µ0/2π · ln(D/d), H/m (no internal inductance: high frequency)."""
    return MU_0 / (2 * pi) * ratio_log(inner, outer)


def velocity_factor(permittivity: float) -> float:
    """v/c = 1/√ε."""
    return 1.0 / sqrt(_permittivity(permittivity))


def delay(permittivity: float) -> float:
    """Delay in s/m = √ε/c."""
    return sqrt(_permittivity(permittivity)) / C


def impedance_from_capacitance(capacitance_per_metre: float, velocity: float) -> float:
    """Z0 = 1/(v·C), ohm, from F/m and the velocity factor.

    MIL-DTL-28830E, 4.7.10.2 states it as 101 670 / (velocity in % × pF/ft) (verified).
    """
    if not (capacitance_per_metre > 0 and 0 < velocity <= 1):
        raise GeometryError("capacitance must be above 0 and the velocity factor in 0 … 1")
    return 1.0 / (velocity * C * capacitance_per_metre)


def cutoff(inner: float, outer: float, permittivity: float) -> float:
    """TE11 cut-off, Hz, from diameters in metres: fc ≈ 2c / (π·√ε·(D+d)), the usual approximation (from memory)."""
    ratio_log(inner, outer)
    return 2 * C / (pi * sqrt(_permittivity(permittivity)) * (outer + inner))


def effective_permittivity(capacitance_per_metre: float, inner: float, outer: float) -> float:
    """ε = C·ln(D/d) / (2π·ε0) from a capacitance in F/m. In the water trough `outer` is the core's diameter: water is the conductor.

    Raises GeometryError for a result below 1 or none at all: less than vacuum cannot be, so capacitance or a diameter is wrong.
    """
    return _permittivity(capacitance_per_metre * ratio_log(inner, outer) / (2 * pi * EPSILON_0))


def sensitivity_impedance(inner: float, outer: float, d_inner: float, d_outer: float, d_permittivity_share: float) -> float:
    """Relative change of Z0: (dD/D − dd/d)/ln(D/d) − ½·dε/ε (first order)."""
    return (d_outer / outer - d_inner / inner) / ratio_log(inner, outer) - 0.5 * d_permittivity_share


def sensitivity_capacitance(inner: float, outer: float, d_inner: float, d_outer: float, d_permittivity_share: float) -> float:
    """Relative change of C: dε/ε − (dD/D − dd/d)/ln(D/d) (first order)."""
    return d_permittivity_share - (d_outer / outer - d_inner / inner) / ratio_log(inner, outer)


def eccentric_impedance(inner: float, outer: float, offset: float, permittivity: float) -> float:
    """Z0 of a conductor `offset` off the centre: Zvac/(2π√ε)·arcosh((D² + d² − 4e²)/(2Dd)), exact.

    Source: manual page coax(1) of atlc, a public program for line impedances (verified). Raises GeometryError unless the
    conductor lies inside: offset < (D − d)/2.
    """
    ratio_log(inner, outer)
    if not 0.0 <= offset < (outer - inner) / 2:
        limit = (outer - inner) / 2
        raise GeometryError(f"offset {offset:g} puts the conductor through the outer one; it is at least 0 and below {limit:g}")
    x = (outer**2 + inner**2 - 4 * offset**2) / (2 * outer * inner)
    return Z_VACUUM / (2 * pi * sqrt(_permittivity(permittivity))) * acosh(x)


def eccentric_share(inner: float, outer: float, offset: float) -> float:
    """Relative change of Z0 by a small offset: −4e² / [(D² − d²)·ln(D/d)] (derived from the exact form)."""
    return -4 * offset**2 / ((outer**2 - inner**2) * ratio_log(inner, outer))


def concentricity(thinnest: float, thickest: float) -> float:
    """100·tmin/tmax in %. Standards differ; eccentricity is another figure (from memory)."""
    if not 0 <= thinnest <= thickest or thickest <= 0:
        raise GeometryError("wall thicknesses: 0 <= thinnest <= thickest")
    return 100.0 * thinnest / thickest
