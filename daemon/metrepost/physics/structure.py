"""Structural return loss: what a disturbance that repeats along the cable does to it.

Coupled modes: Kogelnik and Shank, *J. Appl. Phys.* 43 (1972) 2327; Yariv, *IEEE J. Quantum Electron.* 9 (1973) 919 (from memory); checked
in the tests against cascades of line sections. Lengths in metres, attenuation in dB/m.
"""

from math import exp, log, log10, pi, sinh, sqrt, tanh

from .coax import C, ratio_log
from .mismatch import return_loss

NEPER = 8.685_889_638_065_037
"""dB in a neper, 20·log10(e)."""


class StructureError(ValueError):
    """A period, length or attenuation that cannot be."""


def spike_frequency(period: float, velocity: float, order: int = 1) -> float:
    """f_n = n·v/(2P), Hz: where reflections of a period `period` (m along the cable) add up; `velocity` is the velocity factor."""
    if not (period > 0 and 0 < velocity <= 1 and order >= 1):
        raise StructureError("period above 0, velocity factor in 0 … 1, order from 1")
    return order * velocity * C / (2 * period)


def impedance_amplitude(diameter_amplitude: float, inner: float, outer: float) -> float:
    """Relative amplitude of Z0 from an amplitude of the core's diameter: a = (ΔD/D)/ln(D/d), first order."""
    return diameter_amplitude / outer / ratio_log(inner, outer)


def coupling(amplitude: float, period: float) -> float:
    """κ = π·a/(2P), 1/m, of Z(z) = Z0·(1 + a·cos(2πz/P))."""
    if not period > 0:
        raise StructureError("a period is above 0")
    return pi * amplitude / (2 * period)


def reflection_at_spike(amplitude: float, period: float, length: float, attenuation: float = 0.0) -> float:
    """|Γ| at the spike of a sinusoid over `length` metres: tanh(κL) without loss, else with `attenuation` in dB/m.

    Coupled equations at the centre: |Γ| = κ·sinh(sL)/(s·cosh(sL) + α·sinh(sL)), s = √(α²+κ²), α in Np/m.
    """
    if not (length >= 0 and attenuation >= 0):
        raise StructureError("length and attenuation are 0 or more")
    kappa = abs(coupling(amplitude, period))
    alpha = attenuation / NEPER
    if alpha == 0.0:
        return tanh(kappa * length)
    s = sqrt(alpha**2 + kappa**2)
    if s * length > 20.0:
        return kappa / (s + alpha)
    return kappa * sinh(s * length) / (s * _cosh(s * length) + alpha * sinh(s * length))


def _cosh(x: float) -> float:
    return 0.5 * (exp(x) + exp(-x))


def structural_return_loss(amplitude: float, period: float, length: float, attenuation: float = 0.0) -> float:
    """dB at the spike."""
    return return_loss(reflection_at_spike(amplitude, period, length, attenuation))


def effective_bumps(attenuation_between: float) -> float:
    """L²/(1−L²) with L = 10^(−dB/20): how many discrete bumps count when the wave loses `attenuation_between` dB from one to the next.

    Source: technical paper "Cable Impedance and Structural Return Loss", eq. 10, worked example 0.0165 dB → 262 (verified).
    """
    if not attenuation_between > 0:
        raise StructureError("without loss every bump counts: use lossless_bumps")
    square = 10 ** (-attenuation_between / 10)
    return float(square / (1 - square))


def lossy_bumps(gamma: float, attenuation_between: float) -> float:
    """|Γ| of many discrete bumps of `gamma` each in phase, with loss between them (small reflections)."""
    return abs(gamma) * effective_bumps(attenuation_between)


def lossless_bumps(gamma: float, count: int) -> float:
    """|Γ| of `count` bumps in phase without loss: tanh(N·artanh Γ1), nearly N·Γ1 while small."""
    size = abs(gamma)
    if size >= 1:
        raise StructureError("a bump reflects less than everything")
    return tanh(count * 0.5 * log((1 + size) / (1 - size)))


def effective_length(attenuation: float) -> float:
    """About 1/(2α): the length (m) that still adds to a spike, from dB/m."""
    if not attenuation > 0:
        raise StructureError("attenuation is above 0")
    return NEPER / (2 * attenuation)


def decibel(ratio: float) -> float:
    """20·log10 of an amplitude ratio."""
    return 20 * log10(ratio)
