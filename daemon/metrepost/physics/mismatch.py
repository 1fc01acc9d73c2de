"""Reflection, return loss, standing wave ratio: definitions."""

from math import inf, log, log1p, log10

from .allowed import PhysicsError, above_zero


class MismatchError(PhysicsError):
    """A reflection of more than everything, or an impedance that is not above 0."""


def reflection(impedance: float, reference: float) -> float:
    """Γ = (Z − Z0)/(Z + Z0). Raises MismatchError unless both impedances are above 0 and finite."""
    above_zero(impedance, "impedance", MismatchError)
    above_zero(reference, "reference impedance", MismatchError)
    return (impedance - reference) / (impedance + reference)


def return_loss(gamma: float) -> float:
    """−20·log10|Γ|, dB, positive; infinite for no reflection. Raises MismatchError unless |Γ| is in 0 … 1."""
    size = _size(gamma)
    return inf if size == 0 else abs(-20 * log10(size))


def gamma_of(loss: float) -> float:
    """|Γ| of a return loss in dB; 0 for an infinite one, as `return_loss` has it. Raises MismatchError below 0."""
    if not loss >= 0:
        raise MismatchError(f"a return loss of {loss:g} dB would be a gain; it must be 0 or more")
    return float(10 ** (-loss / 20))


def standing_wave_ratio(gamma: float) -> float:
    """(1+|Γ|)/(1−|Γ|); infinite for total reflection. Raises MismatchError unless |Γ| is in 0 … 1."""
    size = _size(gamma)
    return inf if size == 1 else (1 + size) / (1 - size)


def mismatch_loss(gamma: float) -> float:
    """−10·log10(1−|Γ|²), dB; infinite for total reflection. Raises MismatchError unless |Γ| is in 0 … 1."""
    size = _size(gamma)
    return inf if size == 1 else abs(-10 * log1p(-size * size) / log(10))


def _size(gamma: float) -> float:
    size = abs(gamma)
    if not size <= 1:
        raise MismatchError(f"|Γ| is {size:g}; nothing reflects more than everything, allowed is 0 … 1")
    return size
