"""Return loss: definitions, and structural return loss against cascades of line sections (scikit-rf and plain ABCD matrices)."""

from math import log10

import numpy as np
import pytest

from metrepost.physics import mismatch, structure
from metrepost.physics.coax import C
from metrepost.physics.mismatch import MismatchError
from metrepost.physics.structure import NEPER, StructureError

Z0 = 75.0


def test_return_loss_and_standing_wave_ratio():
    """Definitions; 20 dB is Γ 0.1, VSWR 1.2222."""
    assert mismatch.gamma_of(20.0) == pytest.approx(0.1)
    assert mismatch.standing_wave_ratio(0.1) == pytest.approx(1.2222, abs=1e-4)
    assert mismatch.mismatch_loss(0.1) == pytest.approx(0.0436, abs=1e-4)
    assert mismatch.return_loss(mismatch.reflection(48.0, 50.0)) == pytest.approx(33.80, abs=0.01)


def test_spike_frequencies():
    """f = VF·c/(2P): 0.85, 0.5 m → 254.8236 MHz; 60 m/min and 30 turns a minute make 2 m → 63.706 MHz (arithmetic)."""
    assert structure.spike_frequency(0.5, 0.85) / 1e6 == pytest.approx(254.8236, abs=1e-4)
    assert structure.spike_frequency(60 / 30, 0.85) / 1e6 == pytest.approx(63.706, abs=1e-3)
    assert structure.spike_frequency(0.5, 0.85, 2) == pytest.approx(2 * structure.spike_frequency(0.5, 0.85))


def test_the_number_of_bumps_that_count():
    """Technical paper on structural return loss, pp. 20–22: 0.0165 dB between bumps → 262 (verified)."""
    assert structure.effective_bumps(0.0165) == pytest.approx(262, abs=1)
    assert structure.effective_bumps(0.01) == pytest.approx(433, abs=2)


def test_bumps_without_loss():
    assert structure.lossless_bumps(0.001, 1000) == pytest.approx(0.7616, abs=1e-3)
    assert structure.lossless_bumps(0.001, 100) == pytest.approx(0.0997, abs=1e-4)


def test_the_long_lossy_sinusoid():
    """a = 1e-4, P = 0.5 m, 5 dB/100 m → 31.29 dB (coupled mode, computed; source from memory)."""
    assert structure.structural_return_loss(1e-4, 0.5, 1e4, 0.05) == pytest.approx(31.29, abs=0.01)


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
    """0.2 dB near the spike."""
    found = -20 * log10(cascade(amplitude, period, length, attenuation))
    assert structure.structural_return_loss(amplitude, period, length, attenuation) == pytest.approx(found, abs=0.2)


@pytest.mark.filterwarnings("ignore")  # what scikit-rf and its stack warn of is theirs
@pytest.mark.parametrize(("amplitude", "period"), [(1e-3, 0.5), (5e-4, 0.3), (2e-3, 0.2), (8e-4, 1.0), (4e-4, 0.15)])
def test_the_spike_against_scikit_rf(amplitude, period):
    """A cascade of scikit-rf lines of changing impedance, 20 m, five periods and amplitudes, 0.2 dB."""
    import skrf
    from skrf.media import DefinedGammaZ0

    velocity, sections, turns = 0.85, 16, round(20 / period)
    centre = velocity * C / (2 * period)
    frequency = skrf.Frequency.from_f(np.linspace(0.985, 1.015, 61) * centre, unit="hz")
    gamma = 2j * np.pi * frequency.f / (velocity * C)
    one = None
    for k in range(sections):
        z = Z0 * (1 + amplitude * np.cos(2 * np.pi * (k + 0.5) / sections))
        medium = DefinedGammaZ0(frequency, gamma=gamma, z0=z)
        line = medium.line(period / sections, "m", z0=z)
        line.renormalize(Z0)
        one = line if one is None else one**line
    total = None
    power, left = one, turns
    while left:
        if left & 1:
            total = power if total is None else total**power
        power, left = power**power, left >> 1
    found = -20 * log10(np.abs(total.s[:, 0, 0]).max())
    assert structure.structural_return_loss(amplitude, period, turns * period) == pytest.approx(found, abs=0.2)


def test_diameter_amplitude_to_impedance_amplitude():
    """5 µm on 4.572 mm over 1.024 mm: 7.3e-4 (first order, arithmetic)."""
    assert structure.impedance_amplitude(0.005, 1.024, 4.572) == pytest.approx(7.3e-4, abs=1e-5)


def test_what_cannot_be_is_refused():
    with pytest.raises(MismatchError):
        mismatch.return_loss(1.5)
    with pytest.raises(MismatchError):
        mismatch.reflection(-1.0, 50.0)
    with pytest.raises(StructureError):
        structure.spike_frequency(0.0, 0.85)
    with pytest.raises(StructureError):
        structure.reflection_at_spike(1e-3, 0.5, -1.0)
