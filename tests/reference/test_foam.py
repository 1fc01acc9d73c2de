"""Foam models: ends, table values (computed from the named formulas), bounds, inverses.

Formulas of Maxwell Garnett, Bruggeman, Looyenga, Lichtenecker, Wiener, Hashin and Shtrikman: from memory (Sihvola's book on them is
verified to exist); the values were computed from them apart from this project's code.
"""

from math import log

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from metrepost.physics import foam
from metrepost.physics.foam import MODELS

shares = st.floats(0.0, 1.0)
solids = st.floats(1.05, 4.0)
models = st.sampled_from(sorted(MODELS))
# Lichtenecker's rule is below the lower bound of Hashin and Shtrikman: no isotropic mixture of a plastic with gas
ISOTROPIC = sorted(set(MODELS) - {"lichtenecker"})

# gas share: Maxwell Garnett (= HS+), Bruggeman, Looyenga, Lichtenecker, parallel, series, HS−, velocity factor by Looyenga; εs 2.28
TABLE = """
0    2.2800 2.2800 2.2800 2.2800 2.280 2.2800 2.2800 0.6623
0.1  2.1261 2.1246 2.1196 2.0996 2.152 2.0213 2.1049 0.6869
0.2  1.9789 1.9736 1.9669 1.9335 2.024 1.8153 1.9435 0.7130
0.3  1.8381 1.8277 1.8217 1.7806 1.896 1.6474 1.7943 0.7409
0.4  1.7032 1.6875 1.6839 1.6397 1.768 1.5079 1.6560 0.7706
0.5  1.5739 1.5537 1.5532 1.5100 1.640 1.3902 1.5275 0.8024
0.6  1.4499 1.4269 1.4294 1.3905 1.512 1.2896 1.4076 0.8364
0.65 1.3897 1.3663 1.3701 1.3344 1.448 1.2445 1.3507 0.8543
0.7  1.3307 1.3077 1.3124 1.2805 1.384 1.2025 1.2957 0.8729
0.75 1.2729 1.2512 1.2564 1.2288 1.320 1.1633 1.2424 0.8922
0.8  1.2162 1.1967 1.2019 1.1792 1.256 1.1265 1.1909 0.9121
0.85 1.1606 1.1443 1.1491 1.1316 1.192 1.0920 1.1409 0.9329
0.9  1.1060 1.0940 1.0979 1.0859 1.128 1.0595 1.0925 0.9544
"""


@given(models, solids)
def test_ends(model, solid):
    """No gas is the solid, all gas is 1; 1e-12."""
    assert MODELS[model](0.0, solid) == pytest.approx(solid, rel=1e-12)
    assert MODELS[model](1.0, solid) == pytest.approx(1.0, rel=1e-12)
    assert foam.wiener(0.0, solid) == pytest.approx((solid, solid), rel=1e-12)
    assert foam.wiener(1.0, solid) == pytest.approx((1.0, 1.0), rel=1e-12)
    assert foam.hashin_shtrikman_lower(0.0, solid) == pytest.approx(solid, rel=1e-12)
    assert foam.hashin_shtrikman_lower(1.0, solid) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize("row", TABLE.strip().splitlines(), ids=lambda row: row.split()[0])
def test_values(row):
    """1e-4 for all models, bounds and inverses."""
    gas, mg, bruggeman, looyenga, lichtenecker, parallel, series, lower, velocity = map(float, row.split())
    found = {"maxwell-garnett": mg, "bruggeman": bruggeman, "looyenga": looyenga, "lichtenecker": lichtenecker}
    assert set(found) == set(MODELS)
    for model, value in found.items():
        assert MODELS[model](gas, 2.28) == pytest.approx(value, abs=1e-4), model
        # the table's last digit is worth up to 1e-4 of gas
        assert foam.gas_share(value, model, 2.28) == pytest.approx(gas, abs=1e-4), model
    assert foam.wiener(gas, 2.28) == pytest.approx((series, parallel), abs=1e-4)
    assert foam.hashin_shtrikman_lower(gas, 2.28) == pytest.approx(lower, abs=1e-4)
    assert MODELS["looyenga"](gas, 2.28) ** -0.5 == pytest.approx(velocity, abs=1e-4)


@given(shares, solids)
def test_models_keep_within_the_bounds(gas, solid):
    """Series ≤ Hashin–Shtrikman− ≤ Bruggeman, Looyenga ≤ Maxwell Garnett (= HS+) ≤ parallel; Lichtenecker only within Wiener's."""
    series, parallel = foam.wiener(gas, solid)
    lower, upper = foam.hashin_shtrikman_lower(gas, solid), foam.maxwell_garnett(gas, solid)
    rounding = 1e-12 * solid
    assert series <= lower + rounding
    assert upper <= parallel + rounding
    for model in ISOTROPIC:
        assert lower - rounding <= MODELS[model](gas, solid) <= upper + rounding, model
    assert series - rounding <= foam.lichtenecker(gas, solid) <= parallel + rounding


@given(st.floats(0.01, 0.99), st.floats(1.5, 2.6))
def test_lichtenecker_is_no_isotropic_mixture_of_a_plastic(gas, solid):
    """Half gas in polyethylene: 1.5100 under a lower bound of 1.5275 (computed)."""
    assert foam.lichtenecker(gas, solid) < foam.hashin_shtrikman_lower(gas, solid)


@given(st.floats(0.01, 0.99), solids)
def test_the_equations_that_define_the_models_hold(gas, solid):
    """Put back into their implicit forms: Clausius and Mossotti's, Bruggeman's balance, cube roots, logarithms; the Hashin–Shtrikman
    bounds are each other's with solid and gas exchanged."""
    e = foam.maxwell_garnett(gas, solid)
    assert (e - solid) / (e + 2 * solid) == pytest.approx(gas * (1 - solid) / (1 + 2 * solid), rel=1e-9)
    e = foam.bruggeman(gas, solid)
    assert gas * (1 - e) / (1 + 2 * e) + (1 - gas) * (solid - e) / (solid + 2 * e) == pytest.approx(0.0, abs=1e-12)
    assert foam.looyenga(gas, solid) ** (1 / 3) == pytest.approx(gas + (1 - gas) * solid ** (1 / 3), rel=1e-12)
    assert log(foam.lichtenecker(gas, solid)) == pytest.approx((1 - gas) * log(solid), rel=1e-9)
    e = foam.hashin_shtrikman_lower(gas, solid)
    assert (e - 1) / (e + 2) == pytest.approx((1 - gas) * (solid - 1) / (solid + 2), rel=1e-9)


@given(shares, models, solids)
def test_the_foaming_degree_is_the_inverse(gas, model, solid):
    """What is left is the rounding of ε over what ε can differ by."""
    assert foam.gas_share(MODELS[model](gas, solid), model, solid) == pytest.approx(gas, abs=1e-14 / (solid - 1) ** 2 + 1e-14)


@given(st.floats(1.0, 4.0), models, solids)
def test_the_permittivity_is_the_inverse_of_the_foaming_degree(permittivity, model, solid):
    assume(permittivity <= solid)
    assert MODELS[model](foam.gas_share(permittivity, model, solid), solid) == pytest.approx(permittivity, rel=1e-12)


@given(shares, shares, models, solids)
def test_more_gas_means_less_permittivity(one, other, model, solid):
    assume(abs(one - other) > 1e-9)
    less, more = sorted((one, other))
    assert MODELS[model](more, solid) < MODELS[model](less, solid)
    assert foam.hashin_shtrikman_lower(more, solid) < foam.hashin_shtrikman_lower(less, solid)


@given(shares, models)
def test_a_thin_mixture_is_the_same_by_every_model(gas, model):
    """First order in εs − 1: 1 + (1 − f)·(εs − 1), whatever the shape of the bubbles (textbook limit, from memory)."""
    contrast = 1e-4
    assert MODELS[model](gas, 1 + contrast) - 1 == pytest.approx((1 - gas) * contrast, abs=contrast**2)


@pytest.mark.parametrize(("velocity", "gas"), [(0.84, 0.61), (0.87, 0.693)])
def test_a_cellular_cable_core_has_the_gas_its_velocity_asks_for(velocity, gas):
    """Velocities 84 and 87 % of head-end and feeder cables (Hranac 2010, verified); the shares between the rows of the table by
    Looyenga. 60 to 70 % gas is what such cores have (common practice, no source)."""
    assert foam.gas_share(1 / velocity**2) == pytest.approx(gas, abs=0.005)


def test_density_of_a_weighed_metre():
    """1 − ρ_foam/ρ_solid (definition)."""
    assert foam.gas_share_from_density(0.38, 0.95) == pytest.approx(0.6)
    assert foam.density(0.6, 0.95) == pytest.approx(0.38)


@given(shares, st.floats(0.9, 1.0))
def test_density_and_gas_share_are_inverse(gas, solid):
    assert foam.gas_share_from_density(foam.density(gas, solid), solid) == pytest.approx(gas, abs=1e-12)
