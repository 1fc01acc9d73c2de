"""What `periodic` foretells, against a cascade of the cable itself: a sinusoid in the diameter, sections of exact impedance, with loss."""

from math import exp, log, log10, pi

import numpy as np
import pytest

from metrepost.line.plan import Product, Toleranced
from metrepost.rules.foretold import Foretold

C = 299_792_458.0
VELOCITY, INNER, OUTER = 0.81, 1.02, 4.80
PRODUCT = Product("K75-480", {"conductor": Toleranced(INNER, 0.005, "mm")})


def worst_reflection(period, amplitude, loss, length):
    """dB. Largest |Γ| near v/2P of `length` m ended by its mean impedance: ABCD matrices of 48 sections a period, Z = 59.96·ln(D/d)/√ε of
    each section's own diameter (references: coaxial line, textbook). Shares no formula with the code under test."""
    sections, turns = 48, round(length / period)
    centre = VELOCITY * C / (2 * period)
    width = max(1 / turns, loss / 4.343 * period) * centre
    worst = 0.0
    ohm = 59.9585 * VELOCITY
    mean = ohm * log(OUTER / INNER)
    for f in centre + np.linspace(-0.5, 0.5, 161) * width:
        gamma = loss / (20 * log10(exp(1))) + 2j * pi * f / (VELOCITY * C)
        one = np.eye(2, dtype=complex)
        for k in range(sections):
            z = ohm * log((OUTER + amplitude * np.cos(2 * pi * (k + 0.5) / sections)) / INNER)
            ch, sh = np.cosh(gamma * period / sections), np.sinh(gamma * period / sections)
            one = one @ np.array([[ch, z * sh], [sh / z, ch]])
        a, b, c, d = np.linalg.matrix_power(one, turns).ravel()
        worst = max(worst, abs((a * mean + b - mean * (c * mean + d)) / (a * mean + b + mean * (c * mean + d))))
    return -20 * log10(worst)


@pytest.mark.parametrize(
    ("period", "amplitude", "loss"),
    [(0.13, 0.002, 0.10), (0.4, 0.004, 0.06), (0.9, 0.012, 0.05), (1.57, 0.004, 0.05), (1.667, 0.012, 0.05), (5.0, 0.03, 0.03)],
)
def test_the_level_is_that_of_a_cascade(period, amplitude, loss):
    """0.2 dB, micrometres in, dB out, over a length at which the loss has ended the sum."""
    frequency, level = Foretold(VELOCITY, "product.conductor", loss, 200.0, "mm").level(period, amplitude, OUTER, PRODUCT)
    assert frequency == pytest.approx(VELOCITY * C / (2 * period))
    assert level == pytest.approx(worst_reflection(period, amplitude, loss, 1000.0), abs=0.2)


def test_without_loss_the_window_adds_up():
    """tanh(κL) of the 200 m seen, κ = π·a/(2P) (coupled modes, from memory)."""
    _, level = Foretold(VELOCITY, "product.conductor", 0.0, 200.0, "mm").level(1.57, 0.002, OUTER, PRODUCT)
    assert level == pytest.approx(worst_reflection(1.57, 0.002, 0.0, 200.0), abs=0.2)


def test_a_conductor_in_another_unit_and_a_product_without_one():
    inch = Product("p", {"conductor": Toleranced(INNER / 25.4, None, "inch")})
    asked = Foretold("product.velocity", "product.conductor", 0.05, 200.0, "mm")
    assert asked.level(1.57, 0.004, OUTER, inch) == (0.0, None)
    asked = Foretold(VELOCITY, "product.conductor", 0.05, 200.0, "mm")
    assert asked.level(1.57, 0.004, OUTER, inch)[1] == pytest.approx(asked.level(1.57, 0.004, OUTER, PRODUCT)[1])
    assert asked.level(1.57, 0.004, OUTER, Product("p", {}))[1] is None
    assert asked.level(1.57, 0.004, 0.5, PRODUCT)[1] is None
