"""Reflection, return loss, standing wave ratio: definitions."""

from math import log10


class MismatchError(ValueError):
    """A reflection of more than everything, or an impedance that is not above 0."""


def reflection(impedance: float, reference: float) -> float:
    """Γ = (Z − Z0)/(Z + Z0)."""
    if not (impedance > 0 and reference > 0):
        raise MismatchError("impedances are above 0")
    return (impedance - reference) / (impedance + reference)


def return_loss(gamma: float) -> float:
    """−20·log10|Γ|, dB, positive; infinite for no reflection."""
    size = _size(gamma)
    return float("inf") if size == 0 else -20 * log10(size)


def gamma_of(loss: float) -> float:
    """|Γ| of a return loss in dB."""
    if loss < 0:
        raise MismatchError(f"a return loss of {loss:g} dB would be a gain")
    return float(10 ** (-loss / 20))


def standing_wave_ratio(gamma: float) -> float:
    """(1+|Γ|)/(1−|Γ|); infinite for total reflection."""
    size = _size(gamma)
    return float("inf") if size == 1 else (1 + size) / (1 - size)


def mismatch_loss(gamma: float) -> float:
    """−10·log10(1−|Γ|²), dB."""
    size = _size(gamma)
    return float("inf") if size == 1 else -10 * log10(1 - size * size)


def _size(gamma: float) -> float:
    size = abs(gamma)
    if size > 1:
        raise MismatchError(f"|Γ| = {size:g} is above 1")
    return size
