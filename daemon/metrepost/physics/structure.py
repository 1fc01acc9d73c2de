"""Structural return loss: what a disturbance that repeats along the cable does to it.

Coupled modes: Kogelnik and Shank, *J. Appl. Phys.* 43 (1972) 2327; Yariv, *IEEE J. Quantum Electron.* 9 (1973) 919 (from memory); checked
in the tests against cascades of line sections. Lengths in metres, attenuation in dB/m.

Every function raises StructureError for a period, amplitude, length, attenuation or count that cannot be, NaN and infinity included.
"""

from math import atanh, cosh, expm1, hypot, log, pi, sinh, sqrt, tanh

from .allowed import LEAST, MOST, PhysicsError, above_zero, within, zero_or_more
from .coax import C, GeometryError, ratio_log
from .mismatch import return_loss

NEPER = 8.685_889_638_065_037
"""dB in a neper, 20·log10(e)."""


class StructureError(PhysicsError):
    """A period, amplitude, length, attenuation or count that cannot be."""


def _count(value: int, name: str) -> int:
    if not (1 <= value <= MOST and value % 1 == 0):
        raise StructureError(f"{name} is {value:g}; it must be a whole number from 1 (to {MOST:g})")
    return value


def spike_frequency(period: float, velocity: float, order: int = 1) -> float:
    """f_n = n·v/(2P), Hz: where reflections of a period `period` (m along the cable) add up; `velocity` is the velocity factor."""
    above_zero(period, "period (m)", StructureError)
    within(velocity, LEAST, 1.0, "velocity factor", StructureError)
    return _count(order, "order") * velocity * C / (2 * period)


def impedance_amplitude(diameter_amplitude: float, inner: float, outer: float) -> float:
    """Relative amplitude of Z0 from an amplitude of the core's diameter: a = (ΔD/D)/ln(D/d), first order.

    Raises GeometryError for diameters that make no line and for an amplitude that would lay the conductor bare.
    """
    wall = outer - inner
    log_ratio = ratio_log(inner, outer)
    if not abs(diameter_amplitude) < wall:
        raise GeometryError(
            f"amplitude of the diameter is {diameter_amplitude:g}; it must be below {wall:g}, the diameter over conductor"
        )
    return diameter_amplitude / outer / log_ratio


def coupling(amplitude: float, period: float) -> float:
    """κ = π·a/(2P), 1/m, of Z(z) = Z0·(1 + a·cos(2πz/P)); the sign is that of `amplitude`, which is in −1 … 1."""
    within(amplitude, -1.0, 1.0, "relative amplitude of the impedance", StructureError)
    return pi * amplitude / (2 * above_zero(period, "period (m)", StructureError))


def reflection_at_spike(amplitude: float, period: float, length: float, attenuation: float = 0.0) -> float:
    """|Γ| at the spike of a sinusoid over `length` metres: tanh(κL) without loss, else with `attenuation` in dB/m.

    Coupled equations at the centre: |Γ| = κ·sinh(sL)/(s·cosh(sL) + α·sinh(sL)), s = √(α²+κ²), α in Np/m.
    """
    zero_or_more(length, "length (m)", StructureError)
    alpha = zero_or_more(attenuation, "attenuation (dB/m)", StructureError) / NEPER
    kappa = abs(coupling(amplitude, period))
    if alpha == 0.0 or kappa == 0.0:
        return tanh(kappa * length)
    s = hypot(alpha, kappa)
    if s * length > 20.0:
        return kappa / (s + alpha)
    return kappa * sinh(s * length) / (s * cosh(s * length) + alpha * sinh(s * length))


def structural_return_loss(amplitude: float, period: float, length: float, attenuation: float = 0.0) -> float:
    """dB at the spike; infinite where nothing reflects (no amplitude or no length)."""
    return return_loss(reflection_at_spike(amplitude, period, length, attenuation))


def effective_bumps(attenuation_between: float) -> float:
    """L²/(1−L²) with L = 10^(−dB/20): how many discrete bumps count when the wave loses `attenuation_between` dB from one to the next.

    Source: technical paper "Cable Impedance and Structural Return Loss", eq. 10, worked example 0.0165 dB → 262 (verified).
    """
    # up to 1000 dB, beyond which the number of bumps is below what a double holds
    if not LEAST <= attenuation_between <= 1000.0:
        raise StructureError(
            f"attenuation between bumps is {attenuation_between:g} dB; it must be above 0 (up to 1000), for without loss every bump "
            "counts: use lossless_bumps"
        )
    return 1 / expm1(attenuation_between * log(10) / 10)


def lossy_bumps(gamma: float, attenuation_between: float) -> float:
    """|Γ| of endless discrete bumps of `gamma` each in phase, with loss between them, the first one such a way off.

    While small it is |Γ1|·effective_bumps, the sum of first reflections of the source there. What bumps take from the wave is in it too:
    the fixed point of r = Γ1 + (1−Γ1²)·q·r/(1+Γ1·q·r), q = L² (derived), so that it ends at the loss of the way and not above 1.
    """
    size = abs(gamma)
    if not size < 1:
        raise StructureError(f"a bump reflects {gamma:g}; it must be less than everything, between -1 and 1")
    bumps = effective_bumps(attenuation_between)
    # divided by 1 − q, with q/(1−q) the bumps that count
    return 2 * size * bumps / (1 + sqrt(1 + 4 * size * size * bumps * (bumps + 1)))


def lossless_bumps(gamma: float, count: int) -> float:
    """|Γ| of `count` bumps in phase without loss: tanh(N·artanh Γ1), nearly N·Γ1 while small."""
    size = abs(gamma)
    if not size < 1:
        raise StructureError(f"a bump reflects {gamma:g}; it must be less than everything, between -1 and 1")
    return tanh(_count(count, "number of bumps") * atanh(size))


def effective_length(attenuation: float) -> float:
    """About 1/(2α): the length (m) that still adds to a spike, from dB/m."""
    return NEPER / (2 * above_zero(attenuation, "attenuation (dB/m)", StructureError))
