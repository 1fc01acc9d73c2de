"""Impedance, capacitance, velocity of the core against published formulas, tables and an independent line library.

Each check names its source; "from memory" where the source was not seen.
"""

from math import pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.physics import coax, corrections, layers
from metrepost.physics.coax import GeometryError

FOOT = 0.3048
diameters = st.tuples(st.floats(0.1, 5.0), st.floats(1.05, 20.0)).map(lambda t: (t[0], t[0] * t[1]))
permittivities = st.floats(1.0, 4.0)


def test_the_constant_of_the_formula():
    """atlc coax(1) manual page: Zo = 59.95849160 ln(…) (verified; pre-2019 exact value, CODATA 2022 differs in the ninth digit)."""
    assert coax.Z_VACUUM / (2 * pi) == pytest.approx(59.9584916, abs=1e-7)


def test_impedance_from_velocity_and_capacitance():
    """MIL-DTL-28830E, 4.7.10.2: Zo = 101 670 / (velocity in % × capacitance in pF/ft) (verified)."""
    stated = 101_670 / (66 * 30.8)
    assert stated == pytest.approx(50.01, abs=0.01)
    assert coax.impedance_from_capacitance(30.8e-12 / FOOT, 0.66) == pytest.approx(stated, rel=1e-4)


@given(diameters, permittivities)
def test_impedance_times_capacitance_times_velocity_is_one(d, eps):
    z, c = coax.impedance(*d, eps), coax.capacitance(*d, eps)
    assert z * c * coax.velocity_factor(eps) * coax.C == pytest.approx(1.0, rel=1e-9)
    assert z == pytest.approx(sqrt(coax.inductance(*d) / c), rel=1e-9)
    assert coax.delay(eps) == pytest.approx(1 / (coax.velocity_factor(eps) * coax.C), rel=1e-12)
    assert coax.effective_permittivity(c, *d) == pytest.approx(eps, rel=1e-12)


CABLES = [
    # conductor in, core in, strands, printed ohm, printed pF/ft: NA5N data sheet (verified; printed to two digits)
    ("RG-59B", 0.023, 0.146, 1, 75, 21.0),
    ("RG-11A", 0.048, 0.285, 7, 75, 21.0),
    ("RG-58C", 0.0355, 0.116, 19, 50, 31.0),
]


@pytest.mark.parametrize(("name", "inner", "core", "strands", "ohm", "pf"), CABLES)
def test_published_solid_cables_within_their_rounding(name, inner, core, strands, ohm, pf):
    """Strand factors are from memory, so only RG-59B, with a solid conductor, is proof; the others show consistency."""
    inner = corrections.effective_inner(inner, strands)
    assert coax.impedance(inner, core, 2.28) == pytest.approx(ohm, rel=0.04)
    assert coax.capacitance(inner, core, 2.28) * FOOT * 1e12 == pytest.approx(pf, rel=0.03)


def test_solid_polyethylene_velocity():
    """NA5N data sheet prints 0.66 (verified)."""
    assert coax.velocity_factor(2.28) == pytest.approx(0.6623, abs=1e-4)


def test_target_capacitance():
    """75 ohm at velocity 0.85 wants 52.32 pF/m (arithmetic)."""
    assert pytest.approx(52.32, abs=0.01) == 1 / (75 * 0.85 * coax.C) * 1e12


@pytest.mark.parametrize(("offset", "ohm"), [(0.0, 62.7093), (0.25, 62.4527), (0.5, 61.6732), (1.0, 58.4000)])
def test_eccentric_line(offset, ohm):
    """atlc coax(1) formula (verified), D 7.2, d 2, ε 1.5; figures computed from it."""
    assert coax.eccentric_impedance(2.0, 7.2, offset, 1.5) == pytest.approx(ohm, abs=1e-4)


@given(diameters, permittivities)
def test_eccentric_without_offset_is_concentric(d, eps):
    assert coax.eccentric_impedance(*d, 0.0, eps) == pytest.approx(coax.impedance(*d, eps), rel=1e-7)


def test_the_small_offset_form_is_the_limit():
    exact = coax.eccentric_impedance(2.0, 7.2, 0.1, 1.5) / coax.impedance(2.0, 7.2, 1.5) - 1
    assert coax.eccentric_share(2.0, 7.2, 0.1) == pytest.approx(exact, rel=0.01)


def field_capacitance(inner, outer, offset, n=160):
    """C/ε0 of two round conductors by charge simulation: line charges inside each surface, potentials matched on the surfaces.

    Solves Laplace's equation numerically; shares no formula with the code under test.
    """
    angles = np.arange(n) * 2 * np.pi / n
    a, b = inner / 2, outer / 2
    surface = np.concatenate([offset + a * np.exp(1j * angles), b * np.exp(1j * angles)])
    charges = np.concatenate([offset + 0.7 * a * np.exp(1j * angles), 1.4 * b * np.exp(1j * angles)])
    potential = -np.log(np.abs(surface[:, None] - charges[None, :])) / (2 * np.pi)
    matrix = np.block([[potential, np.ones((2 * n, 1))], [np.ones((1, 2 * n)), np.zeros((1, 1))]])
    wanted = np.concatenate([np.ones(n), np.zeros(n), [0.0]])
    found = np.linalg.solve(matrix, wanted)
    return found[:n].sum()


@pytest.mark.parametrize("offset", [0.0, 0.3, 0.9])
def test_the_eccentric_formula_against_a_field_solution(offset):
    capacitance = field_capacitance(2.0, 7.2, offset)
    ohm = coax.Z_VACUUM / capacitance
    assert coax.eccentric_impedance(2.0, 7.2, offset, 1.0) == pytest.approx(ohm, rel=1e-4)


def test_a_layered_core():
    """Worked example of series capacitors (arithmetic): skins of 0.05 mm cost 1.2 ohm."""
    core = [layers.Layer(1.124, 2.28), layers.Layer(4.472, 1.35), layers.Layer(4.572, 2.28)]
    assert layers.capacitance(1.024, core) * 1e12 == pytest.approx(51.824, abs=1e-3)
    assert layers.impedance(1.024, core) == pytest.approx(75.989, abs=1e-3)
    assert 1 / sqrt(layers.effective_permittivity(1.024, core)) == pytest.approx(0.84703, abs=1e-5)


@given(diameters, permittivities, st.floats(0.1, 0.9))
def test_layers_of_one_material_are_one_layer(d, eps, where):
    inner, outer = d
    between = inner + where * (outer - inner)
    made = layers.impedance(inner, [layers.Layer(between, eps), layers.Layer(outer, eps)])
    assert made == pytest.approx(coax.impedance(inner, outer, eps), rel=1e-9)


@given(diameters, permittivities)
def test_series_capacitors_by_another_way(d, eps):
    inner, outer = d
    middle = sqrt(inner * outer)
    first, second = coax.capacitance(inner, middle, eps), coax.capacitance(middle, outer, 2.28)
    both = layers.capacitance(inner, [layers.Layer(middle, eps), layers.Layer(outer, 2.28)])
    assert both == pytest.approx(first * second / (first + second), rel=1e-9)


def test_sensitivities_are_the_derivatives():
    inner, outer, eps = 1.02, 4.80, 1.53
    z, c = coax.impedance(inner, outer, eps), coax.capacitance(inner, outer, eps)
    changed = coax.impedance(inner * 1.0001, outer * 1.0002, eps * 0.9997) / z - 1
    assert coax.sensitivity_impedance(inner, outer, inner * 1e-4, outer * 2e-4, -3e-4) == pytest.approx(changed, rel=1e-3)
    changed = coax.capacitance(inner * 1.0001, outer * 1.0002, eps * 0.9997) / c - 1
    assert coax.sensitivity_capacitance(inner, outer, inner * 1e-4, outer * 2e-4, -3e-4) == pytest.approx(changed, rel=1e-3)


@pytest.mark.filterwarnings("ignore")  # what scikit-rf and its stack warn of is theirs
@pytest.mark.parametrize(("inner", "outer", "eps"), [(1.02, 4.80, 1.533), (2.2555, 7.239, 2.28), (0.3, 1.4, 1.29)])
def test_impedance_against_scikit_rf(inner, outer, eps):
    """scikit-rf's coaxial medium, lossless, 0.1 %."""
    import skrf
    from skrf.media import Coaxial

    medium = Coaxial(
        skrf.Frequency(0.5, 1.0, 3, "ghz"), Dint=inner * 1e-3, Dout=outer * 1e-3, epsilon_r=eps, tan_delta=0.0, sigma=1e30
    )
    found = np.asarray(getattr(medium, "z0_characteristic", medium.z0)).real
    assert coax.impedance(inner, outer, eps) == pytest.approx(float(found[0]), rel=1e-3)


@pytest.mark.parametrize("capacitance", [-1e-12, 20e-12, float("nan")])
def test_less_than_vacuum_is_no_permittivity(capacitance):
    with pytest.raises(GeometryError, match="below 1"):
        coax.effective_permittivity(capacitance, 1.02, 4.80)


def test_wrong_geometry_says_what_must_hold():
    with pytest.raises(GeometryError, match="inner < outer"):
        coax.impedance(4.8, 1.0, 1.5)
    with pytest.raises(GeometryError, match="below 1"):
        coax.capacitance(1.0, 4.8, 0.5)
    with pytest.raises(GeometryError, match=r"below 2\.6"):
        coax.eccentric_impedance(2.0, 7.2, 3.0, 1.0)
    with pytest.raises(corrections.StrandError, match="7, 12, 19"):
        corrections.effective_inner(1.0, 8)
    with pytest.raises(GeometryError):
        layers.impedance(1.0, [])
