"""Off-centre conductors and layered cores against fields that are solved here, and against each other's limits."""

from math import log, sqrt

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from metrepost.physics import coax, layers
from metrepost.physics.layers import Layer
from support_physics import field_capacitance, mapped_capacitance

diameters = st.tuples(st.floats(0.1, 5.0), st.floats(1.0001, 20.0)).map(lambda t: (t[0], t[0] * t[1]))
permittivities = st.floats(1.0, 4.0)


@pytest.mark.parametrize(("offset", "ohm"), [(0.0, 62.7093), (0.1, 62.6683), (0.25, 62.4527), (0.5, 61.6732), (1.0, 58.4000)])
def test_eccentric_line(offset, ohm):
    """atlc coax(1) formula (verified), D 7.2, d 2, ε 1.5; figures computed from it, 1e-4."""
    assert coax.eccentric_impedance(2.0, 7.2, offset, 1.5) == pytest.approx(ohm, abs=1e-4)


@given(diameters, permittivities)
def test_eccentric_without_offset_is_concentric(d, eps):
    """The limit e → 0, 1e-12 (computed)."""
    assert coax.eccentric_impedance(*d, 0.0, eps) == pytest.approx(coax.impedance(*d, eps), rel=1e-12)
    assert coax.eccentric_impedance(*d, 1e-9 * (d[1] - d[0]), eps) == pytest.approx(coax.impedance(*d, eps), rel=1e-12)


@pytest.mark.parametrize(("offset", "exact", "small"), [(0.1, -0.0653, -0.0653), (0.25, -0.409, -0.408), (0.5, -1.652, -1.632)])
def test_the_small_offset_form_is_the_limit(offset, exact, small):
    """D 7.2, d 2; in % (computed)."""
    found = coax.eccentric_impedance(2.0, 7.2, offset, 1.5) / coax.impedance(2.0, 7.2, 1.5) - 1
    assert 100 * found == pytest.approx(exact, abs=5e-4)
    assert 100 * coax.eccentric_share(2.0, 7.2, offset) == pytest.approx(small, abs=5e-4)


@given(diameters, st.floats(1e-4, 1e-3))
def test_the_small_offset_form_for_any_line(d, share):
    offset = share * (d[1] - d[0]) / 2
    found = (coax.eccentric_impedance(*d, offset, 1.0) - coax.impedance(*d, 1.0)) / coax.impedance(*d, 1.0)
    assert coax.eccentric_share(*d, offset) == pytest.approx(found, rel=1e-4, abs=1e-12)


@pytest.mark.parametrize("offset", [0.0, 0.05, 0.3, 0.9, 1.5, 1.8])
def test_the_eccentric_formula_against_a_field_solution(offset):
    """Charge simulation, 0.1 % is asked."""
    ohm = coax.Z_VACUUM / field_capacitance(2.0, 7.2, offset)
    assert coax.eccentric_impedance(2.0, 7.2, offset, 1.0) == pytest.approx(ohm, rel=1e-8)


@pytest.mark.parametrize(("inner", "outer"), [(2.0, 7.2), (1.02, 4.80), (0.3, 1.4), (5.0, 5.2)])
@pytest.mark.parametrize("share", [0.01, 0.1, 0.5, 0.9, 0.999])
def test_the_eccentric_formula_against_a_conformal_map(inner, outer, share):
    offset = share * (outer - inner) / 2
    ohm = coax.Z_VACUUM / mapped_capacitance(inner, outer, offset) / sqrt(1.5)
    assert coax.eccentric_impedance(inner, outer, offset, 1.5) == pytest.approx(ohm, rel=1e-8)


def test_a_layered_core():
    """Worked example of series capacitors, skins of 0.05 mm cost 1.2 ohm; 1e-3 (computed)."""
    core = [Layer(1.124, 2.28), Layer(4.472, 1.35), Layer(4.572, 2.28)]
    assert layers.capacitance(1.024, core) * 1e12 == pytest.approx(51.824, abs=1e-3)
    assert layers.impedance(1.024, core) == pytest.approx(75.989, abs=1e-3)
    assert layers.effective_permittivity(1.024, core) == pytest.approx(1.39381, abs=1e-5)
    assert coax.velocity_factor(layers.effective_permittivity(1.024, core)) == pytest.approx(0.84703, abs=1e-5)
    assert coax.inductance(1.024, 4.572) * 1e9 == pytest.approx(299.247, abs=1e-3)
    foam_alone = coax.impedance(1.024, 4.572, 1.35)
    assert foam_alone == pytest.approx(77.212, abs=1e-3)
    assert coax.capacitance(1.024, 4.572, 1.35) * 1e12 == pytest.approx(50.195, abs=1e-3)
    assert foam_alone - layers.impedance(1.024, core) == pytest.approx(1.2, abs=0.05)


@given(diameters, permittivities, st.floats(0.1, 0.9))
def test_layers_of_one_material_are_one_layer(d, eps, where):
    """1e-12 (computed)."""
    inner, outer = d
    made = [Layer(inner + where * (outer - inner), eps), Layer(outer, eps)]
    assert layers.impedance(inner, made) == pytest.approx(coax.impedance(inner, outer, eps), rel=1e-12)
    assert layers.capacitance(inner, made) == pytest.approx(coax.capacitance(inner, outer, eps), rel=1e-12)
    assert layers.effective_permittivity(inner, made) == pytest.approx(eps, rel=1e-12)
    assert layers.impedance(inner, [Layer(outer, eps)]) == pytest.approx(coax.impedance(inner, outer, eps), rel=1e-12)


@given(st.floats(0.1, 5.0), st.lists(st.tuples(st.floats(1.001, 2.0), permittivities), min_size=1, max_size=6))
@example(2.7773735567395725, [(1.5, 1.0), (1.375, 1.0)])  # vacuum all through, which rounding makes less than vacuum
def test_series_capacitors_layer_by_layer(inner, steps):
    """1/C = Σ 1/C_i, each layer a line of its own; Z0 = √(L/C) and v = 1/√(L·C) of the whole."""
    core, below, reciprocal = [], inner, 0.0
    for ratio, eps in steps:
        core.append(Layer(below * ratio, eps))
        reciprocal += 1 / coax.capacitance(below, below * ratio, eps)
        below *= ratio
    assert layers.capacitance(inner, core) == pytest.approx(1 / reciprocal, rel=1e-12)
    assert layers.impedance(inner, core) == pytest.approx(sqrt(coax.inductance(inner, below) * reciprocal), rel=1e-12)
    speed = coax.velocity_factor(layers.effective_permittivity(inner, core)) * coax.C
    assert speed == pytest.approx(1 / sqrt(coax.inductance(inner, below) / reciprocal), rel=1e-12)


def test_a_layered_core_against_finite_differences():
    """d/dr(ε·r·dφ/dr) = 0 between 1 V and 0 V on 20 000 rings of equal width, solved as a chain; charge from the flux at the conductor."""
    inner, core = 1.024, [Layer(1.124, 2.28), Layer(4.472, 1.35), Layer(4.572, 2.28)]
    cells = 20_000
    edges = np.linspace(inner / 2, core[-1].outer / 2, cells + 1)
    eps = np.array([1.0] * cells)
    below = inner
    for layer in core:
        eps[(edges[:-1] + edges[1:] > below) & (edges[:-1] + edges[1:] <= layer.outer)] = layer.permittivity
        below = layer.outer
    conductance = 2 * np.pi * eps * (edges[:-1] + edges[1:]) / 2 / np.diff(edges)
    flux = 1 / np.sum(1 / conductance)
    assert layers.capacitance(inner, core) == pytest.approx(flux * 8.854_187_8188e-12, rel=1e-4)


def test_the_order_of_layers_counts():
    """A skin on the conductor stands where the field is strong: it takes more than the same skin outside (computed)."""
    inside = layers.impedance(1.0, [Layer(1.2, 2.28), Layer(4.8, 1.35)])
    outside = layers.impedance(1.0, [Layer(4.6, 1.35), Layer(4.8, 2.28)])
    assert inside < outside < coax.impedance(1.0, 4.8, 1.35)
    by_hand = (log(1.2) / 2.28 + log(4.0) / 1.35) * log(4.8)
    assert inside == pytest.approx(59.95849159 * sqrt(by_hand), rel=1e-9)
