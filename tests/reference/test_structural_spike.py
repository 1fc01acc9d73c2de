"""Structural return loss of a wave in the diameter against cascades of scikit-rf sections: each section has the impedance of its own
diameter. The cascades share no formula with the product but the definition of a line."""

from math import log, log10, sqrt

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from metrepost.physics import mismatch, structure
from support_physics import by_distributed_circuit, by_propagation, spike

INNER, OUTER, PERMITTIVITY = 1.02, 4.80, 1.53  # mm
VELOCITY = 1 / sqrt(PERMITTIVITY)
CONSTANT = 59.95849159 * VELOCITY  # ohm; coax(1) manual page of atlc (verified)
MEAN = CONSTANT * log(OUTER / INNER)


def ohm_at(amplitude):
    return lambda phase: CONSTANT * log((OUTER + amplitude * np.cos(phase)) / INNER)


def foretold(period, amplitude, turns, attenuation):
    relative = structure.impedance_amplitude(amplitude, INNER, OUTER)
    return structure.structural_return_loss(relative, period, turns * period, attenuation)


def width(period, amplitude, turns, attenuation):
    """Three times the width that length, loss or strength give the spike."""
    relative = structure.impedance_amplitude(amplitude, INNER, OUTER)
    return 3 * max(1 / turns, attenuation / structure.NEPER * period, relative)


# period m, amplitude mm, length m, attenuation dB/m
LOSSLESS = [
    (0.10, 0.001, 100, 0.0),
    (0.20, 0.004, 40, 0.0),
    (0.50, 0.010, 20, 0.0),
    (1.00, 0.002, 200, 0.0),
    (1.571, 0.006, 300, 0.0),
    (3.00, 0.030, 60, 0.0),
    (5.00, 0.020, 200, 0.0),
]
LOSSY = [
    (0.10, 0.001, 200, 0.12),
    (0.13, 0.002, 300, 0.10),
    (0.15, 0.0005, 100, 0.10),
    (0.40, 0.004, 300, 0.06),
    (0.50, 0.050, 100, 0.05),
    (0.90, 0.012, 400, 0.05),
    (1.571, 0.004, 600, 0.05),
    (1.667, 0.012, 500, 0.05),
    (2.00, 0.020, 60, 0.03),
    (3.30, 0.020, 800, 0.04),
    (5.00, 0.030, 1000, 0.03),
]


@pytest.mark.parametrize(("period", "amplitude", "length", "attenuation"), LOSSLESS + LOSSY)
def test_level_and_place_of_the_spike(period, amplitude, length, attenuation):
    """0.02 dB, a tenth of what is asked: 40 steps to a period cost the cascade 0.009 dB. The place within 0.2 % (the grid)."""
    turns = round(length / period)
    section = by_propagation(ohm_at(amplitude), VELOCITY, attenuation)
    place, gamma = spike(section, MEAN, period, turns, VELOCITY, width(period, amplitude, turns, attenuation))
    assert foretold(period, amplitude, turns, attenuation) == pytest.approx(-20 * log10(gamma), abs=0.02)
    assert structure.spike_frequency(period, VELOCITY) == pytest.approx(place, rel=2e-3)


@pytest.mark.parametrize(
    ("period", "amplitude", "length", "attenuation"),
    [
        (0.10, 0.002, 200, 0.12),
        (0.30, 0.004, 300, 0.07),
        (0.50, 0.006, 300, 0.05),
        (1.571, 0.010, 600, 0.03),
        (3.3, 0.02, 800, 0.02),
    ],
)
def test_the_spike_of_a_line_with_resistance(period, amplitude, length, attenuation):
    """0.2 dB, with the loss of a real conductor: rising with frequency, and a complex impedance, which the formula does not know."""
    turns = round(length / period)
    centre = structure.spike_frequency(period, VELOCITY)
    section = by_distributed_circuit(ohm_at(amplitude), VELOCITY, attenuation, MEAN, centre)
    place, gamma = spike(section, MEAN, period, turns, VELOCITY, width(period, amplitude, turns, attenuation))
    assert foretold(period, amplitude, turns, attenuation) == pytest.approx(-20 * log10(gamma), abs=0.2)
    assert centre == pytest.approx(place, rel=2e-3)


@pytest.mark.parametrize(("length", "gamma", "cascaded"), [(100, 0.30422, 0.30420), (10, 0.031406, 0.031404)])
def test_the_bragg_sum(length, gamma, cascaded):
    """a 1e-3, P 0.5 m, L 100 m: |Γ| 0.3042 by cascade and by tanh (coupled modes, computed). As |Γ|, not as decibels."""
    relative, period = 1e-3, 0.5
    section = by_propagation(lambda phase: 75.0 * (1 + relative * np.cos(phase)), 0.85, 0.0)
    _, found = spike(section, 75.0, period, round(length / period), 0.85, 3 * max(period / length, relative))
    assert found == pytest.approx(cascaded, abs=1e-3 * gamma)
    assert structure.reflection_at_spike(relative, period, length) == pytest.approx(gamma, abs=1e-5)
    assert structure.reflection_at_spike(relative, period, length) == pytest.approx(found, rel=2e-3)
    assert np.tanh(structure.coupling(relative, period) * length) == pytest.approx(gamma, abs=1e-5)


amplitudes, periods = st.floats(1e-6, 0.05), st.floats(0.02, 10.0)
lengths, losses = st.floats(0.1, 5000.0), st.floats(1e-4, 1.0)


@given(amplitudes, periods, lengths, losses)
def test_what_a_spike_can_be(amplitude, period, length, loss):
    """Less than without loss, more the stronger and longer, never more than everything or than κ/(α+√(α²+κ²))."""
    found = structure.reflection_at_spike(amplitude, period, length, loss)
    kappa, alpha = structure.coupling(amplitude, period), loss / structure.NEPER
    assert 0 < found <= structure.reflection_at_spike(amplitude, period, length) <= 1
    assert found <= kappa / (alpha + sqrt(alpha**2 + kappa**2)) * (1 + 1e-12)
    assert found <= structure.reflection_at_spike(amplitude * 1.1, period, length, loss)
    assert found <= structure.reflection_at_spike(amplitude, period, length * 1.1, loss) * (1 + 1e-12)
    assert structure.reflection_at_spike(-amplitude, period, length, loss) == found
    assert structure.structural_return_loss(amplitude, period, length, loss) == mismatch.return_loss(found)


@given(amplitudes, periods, lengths)
def test_a_loss_that_vanishes_is_no_loss(amplitude, period, length):
    kappa = structure.coupling(amplitude, period)
    assume(kappa * length < 3)
    with_loss = structure.reflection_at_spike(amplitude, period, length, 1e-9 * structure.NEPER * max(kappa, 1 / length))
    assert with_loss == pytest.approx(structure.reflection_at_spike(amplitude, period, length), rel=1e-7)


@given(amplitudes, periods, losses)
def test_the_short_cut_for_long_cable_is_no_step(amplitude, period, loss):
    s = sqrt((loss / structure.NEPER) ** 2 + structure.coupling(amplitude, period) ** 2)
    below, above = (structure.reflection_at_spike(amplitude, period, 20 * share / s, loss) for share in (1 - 1e-9, 1 + 1e-9))
    assert below == pytest.approx(above, rel=1e-12)
