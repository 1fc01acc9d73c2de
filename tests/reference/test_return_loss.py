"""Return loss: definitions, and structural return loss against plain ABCD matrices.

The cascades of scikit-rf are in test_structural_spike.py.
"""

from math import inf, log10, pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.physics import coax, mismatch, structure
from metrepost.physics.coax import C
from metrepost.physics.structure import NEPER

Z0 = 75.0


@pytest.mark.parametrize(
    ("loss", "gamma", "ratio", "lost"),
    [
        (10, 0.31623, 1.9250, 0.4576),
        (14, 0.19953, 1.4985, 0.1764),
        (20, 0.10000, 1.2222, 0.0436),
        (23, 0.07079, 1.1524, 0.0218),
        (26, 0.05012, 1.1055, 0.0109),
        (28, 0.03981, 1.0829, 0.0069),
        (30, 0.03162, 1.0653, 0.0043),
    ],
)
def test_return_loss_and_standing_wave_ratio(loss, gamma, ratio, lost):
    """Definitions, computed; 1e-4 as far as the figures are printed."""
    assert mismatch.gamma_of(loss) == pytest.approx(gamma, abs=1e-5)
    assert mismatch.standing_wave_ratio(mismatch.gamma_of(loss)) == pytest.approx(ratio, abs=1e-4)
    assert mismatch.mismatch_loss(mismatch.gamma_of(loss)) == pytest.approx(lost, abs=1e-4)
    assert mismatch.return_loss(gamma) == pytest.approx(loss, abs=2e-3)


@pytest.mark.parametrize(("ohm", "gamma", "loss", "ratio"), [(48, -0.020408, 33.80, 1.0417), (52, 0.019608, 34.15, 1.0400)])
def test_an_impedance_beside_50_ohm(ohm, gamma, loss, ratio):
    """Computed from the definitions."""
    found = mismatch.reflection(ohm, 50.0)
    assert found == pytest.approx(gamma, abs=1e-6)
    assert mismatch.return_loss(found) == pytest.approx(loss, abs=0.005)
    assert mismatch.standing_wave_ratio(found) == pytest.approx(ratio, abs=1e-4)


@given(st.floats(0.0, 200.0))
def test_return_loss_is_the_inverse_of_its_reflection(loss):
    gamma = mismatch.gamma_of(loss)
    assert mismatch.return_loss(gamma) == mismatch.return_loss(-gamma) == pytest.approx(loss, abs=1e-9)
    # power is neither made nor lost: what is reflected and what goes on are the whole
    assert gamma**2 + 10 ** (-mismatch.mismatch_loss(gamma) / 10) == pytest.approx(1.0, rel=1e-12)


def test_nothing_and_everything_reflected():
    assert mismatch.return_loss(0.0) == inf
    assert mismatch.gamma_of(inf) == 0.0
    assert str(mismatch.return_loss(1.0)) == "0.0"  # and not -0.0
    assert mismatch.standing_wave_ratio(-1.0) == inf
    assert mismatch.mismatch_loss(1.0) == inf
    assert str(mismatch.mismatch_loss(0.0)) == "0.0"


@pytest.mark.parametrize(
    ("velocity", "period", "megahertz"),
    [
        (0.85, 0.10, 1274.12),
        (0.85, 0.20, 637.059),
        (0.85, 0.50, 254.8236),
        (0.85, 1.00, 127.412),
        (0.83, 1.50, 82.943),
        (0.66, 0.30, 329.772),
    ],
)
def test_spike_frequencies(velocity, period, megahertz):
    """f = VF·c/(2P), computed to the digits given; 254.8236 MHz to 1e-4."""
    assert structure.spike_frequency(period, velocity) / 1e6 == pytest.approx(
        megahertz, abs=1e-4 if megahertz == 254.8236 else 5e-3
    )
    assert structure.spike_frequency(period, velocity, 3) == pytest.approx(3 * structure.spike_frequency(period, velocity))


def test_the_frequency_of_a_screw():
    """60 m/min and 30 turns a minute make 2 m, 63.706 MHz (computed)."""
    period = 60 / 30
    assert period == 2.0
    assert structure.spike_frequency(period, 0.85) / 1e6 == pytest.approx(63.706, abs=1e-3)


@pytest.mark.parametrize(("metres", "megahertz"), [(1.5, 100), (0.3, 500), (0.15, 1000)])
def test_spacings_of_a_printed_table(metres, megahertz):
    """Technical paper "Cable Impedance and Structural Return Loss", table 1-1 (verified), which takes the free-space wave, rounded."""
    assert structure.spike_frequency(metres, 1.0) / 1e6 == pytest.approx(megahertz, rel=1e-3)


@pytest.mark.parametrize(
    ("decibels", "bumps", "within"), [(0.0165, 262, 1), (0.01, 433, 2), (0.02, 216.6, 0.1), (0.0165, 262.7, 0.1)]
)
def test_the_number_of_bumps_that_count(decibels, bumps, within):
    """Technical paper "Cable Impedance and Structural Return Loss", pp. 20–22: 0.0165 dB between bumps → 262, 0.01 → 433 (verified). It
    prints 205 for 0.02 dB, from a rounded figure; the formula gives 216.6 (computed)."""
    assert structure.effective_bumps(decibels) == pytest.approx(bumps, abs=within)


def test_the_length_of_the_worked_example():
    """Same paper (verified): 0.033 dB/m, a bump each 0.5 m: 262 bumps, 131 m. The length 1/(2α) is the same thing without steps."""
    assert structure.effective_bumps(0.033 * 0.5) * 0.5 == pytest.approx(131, abs=0.5)
    assert structure.effective_length(0.033) == pytest.approx(131, rel=5e-3)


@given(st.floats(1e-4, 0.2))
def test_the_effective_length_is_that_of_the_summed_first_reflections(attenuation):
    """∫ e^(−2αz) dz over endless cable, summed by the trapezoidal rule; a unit of κ there is what a weak spike reflects."""
    alpha = attenuation / NEPER
    z = np.linspace(0, 15 / alpha, 20001)
    assert structure.effective_length(attenuation) == pytest.approx(np.trapezoid(np.exp(-2 * alpha * z), z), rel=1e-5)
    kappa = structure.coupling(1e-9, 0.5)
    weak = structure.reflection_at_spike(1e-9, 0.5, 1e6, attenuation)
    assert weak == pytest.approx(kappa * structure.effective_length(attenuation), rel=1e-4)


def bumps_in_a_row(gamma, decibels, count):
    """|Γ| of `count` alike bumps, from the far end: S-matrices of lossless bumps, joined by a length of whole half waves with loss."""
    through, square, seen = sqrt(1 - gamma**2), 10 ** (-decibels / 10), 0j
    for _ in range(count):
        load = seen * square * np.exp(-2j * pi)
        seen = 1j * gamma + through**2 * load / (1 - 1j * gamma * load)
    return abs(seen * square)


def test_bumps_without_loss():
    """|Γ| = tanh(N·artanh Γ1): 1000 × 0.001 → 0.76, 100 × 0.001 → 0.0997, 20.0 dB (computed)."""
    assert structure.lossless_bumps(0.001, 1000) == pytest.approx(0.7616, abs=1e-4)
    assert structure.lossless_bumps(0.001, 100) == pytest.approx(0.0997, abs=1e-4)
    assert mismatch.return_loss(structure.lossless_bumps(0.001, 100)) == pytest.approx(20.0, abs=0.05)


@given(st.floats(1e-5, 0.5), st.integers(1, 300))
def test_bumps_without_loss_one_by_one(gamma, count):
    assert structure.lossless_bumps(gamma, count) == pytest.approx(bumps_in_a_row(gamma, 0.0, count), rel=1e-9)


@given(st.floats(1e-5, 0.5), st.floats(0.05, 3.0))
def test_bumps_with_loss_one_by_one(gamma, decibels):
    """As many as the loss lets count: the last reflects 1e-12 of the first."""
    found = structure.lossy_bumps(gamma, decibels)
    assert found == pytest.approx(bumps_in_a_row(gamma, decibels, round(120 / decibels)), rel=1e-9)
    assert found < gamma * structure.effective_bumps(decibels)


def test_few_weak_bumps_are_the_formula_of_the_paper():
    """SRL = Γ·L²/(1−L²), eq. 10 (verified)."""
    assert structure.lossy_bumps(1e-6, 0.0165) == pytest.approx(1e-6 * structure.effective_bumps(0.0165), rel=1e-6)
    assert structure.lossy_bumps(1e-6, 0.0165) == pytest.approx(262e-6, rel=4e-3)


@pytest.mark.parametrize(
    ("amplitude", "period", "attenuation", "gamma", "loss"),
    [(1e-4, 0.5, 0.05, 0.02727, 31.29), (1e-4, 0.15, 0.10, 0.04539, 26.86)],
)
def test_the_long_lossy_sinusoid(amplitude, period, attenuation, gamma, loss):
    """5 dB/100 m and 10 dB/100 m (coupled modes from memory, computed)."""
    assert structure.reflection_at_spike(amplitude, period, 1e4, attenuation) == pytest.approx(gamma, abs=1e-5)
    assert structure.structural_return_loss(amplitude, period, 1e4, attenuation) == pytest.approx(loss, abs=0.01)


@given(st.floats(-0.9, 0.9), st.floats(0.01, 10.0))
def test_coupling_is_half_the_slope_of_the_impedance(amplitude, period):
    """κ by its definition: the part of −½·d(ln Z)/dz at the period of the disturbance, from the Fourier integral over one period."""
    weak = amplitude * 1e-6
    z = (np.arange(4096) + 0.5) * period / 4096
    slope = np.gradient(np.log1p(weak * np.cos(2 * pi * z / period)), period / 4096, edge_order=2)
    part = (-0.5 * slope * np.exp(1j * 2 * pi * z / period)).mean()
    assert structure.coupling(weak, period) == pytest.approx(part.imag, rel=1e-5, abs=1e-15)


def cascade(amplitude, period, length, attenuation, velocity=0.85, sections=40, span=5):
    """Largest |Γ| near the spike of a sinusoidal line, as a product of ABCD matrices of uniform sections (periods are raised to a
    power). Shares no formula with the code under test but the definition of a line."""
    centre = velocity * C / (2 * period)
    turns = round(length / period)
    width = max(1.0 / turns, attenuation * period) * centre
    best = 0.0
    for f in centre + np.linspace(-span, span, 161) * width / 10:
        gamma = attenuation / NEPER + 2j * np.pi * f / (velocity * C)
        dz = period / sections
        one = np.eye(2, dtype=complex)
        for k in range(sections):
            z = Z0 * (1 + amplitude * np.cos(2 * np.pi * (k + 0.5) / sections))
            ch, sh = np.cosh(gamma * dz), np.sinh(gamma * dz)
            one = one @ np.array([[ch, z * sh], [sh / z, ch]])
        a, b, c, d = np.linalg.matrix_power(one, turns).ravel()
        best = max(best, abs((a * Z0 + b - Z0 * (c * Z0 + d)) / (a * Z0 + b + Z0 * (c * Z0 + d))))
    return best


CASES = [
    (1e-3, 0.5, 100.0, 0.0),
    (1e-3, 0.5, 10.0, 0.0),
    (2e-4, 0.5, 100.0, 0.0),
    (1e-4, 0.5, 400.0, 0.05),
    (5e-4, 1.571, 300.0, 0.05),
    (3e-4, 0.15, 200.0, 0.1),
    (1e-3, 2.0, 500.0, 0.02),
]


@pytest.mark.parametrize(("amplitude", "period", "length", "attenuation"), CASES)
def test_the_spike_against_a_cascade(amplitude, period, length, attenuation):
    """0.02 dB near the spike, a tenth of what is asked."""
    found = -20 * log10(cascade(amplitude, period, length, attenuation))
    assert structure.structural_return_loss(amplitude, period, length, attenuation) == pytest.approx(found, abs=0.02)


def test_diameter_amplitude_to_impedance_amplitude():
    """5 µm on 4.572 mm over 1.024 mm: 7.3e-4 (first order, computed); against the impedance of the two diameters."""
    assert structure.impedance_amplitude(0.005, 1.024, 4.572) == pytest.approx(7.3e-4, abs=1e-5)
    thick, thin = coax.impedance(1.024, 4.577, 1.4), coax.impedance(1.024, 4.567, 1.4)
    half = (thick - thin) / 2 / coax.impedance(1.024, 4.572, 1.4)
    assert structure.impedance_amplitude(0.005, 1.024, 4.572) == pytest.approx(half, rel=1e-5)
