"""Foam models: ends, table values (computed from the named formulas), bounds, inverses."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.physics import foam
from metrepost.physics.foam import MODELS, MixtureError

shares = st.floats(0.0, 1.0)


@pytest.mark.parametrize("model", MODELS)
def test_ends(model):
    assert MODELS[model](0.0, 2.28) == pytest.approx(2.28, rel=1e-12)
    assert MODELS[model](1.0, 2.28) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(
    ("gas", "mg", "bruggeman", "looyenga"),
    [(0.1, 2.1261, 2.1246, 2.1196), (0.5, 1.5739, 1.5537, 1.5532), (0.8, 1.2162, 1.1967, 1.2019)],
)
def test_values(gas, mg, bruggeman, looyenga):
    """Computed from the formulas of Maxwell Garnett, Bruggeman and Looyenga with εs = 2.28 (formulas from memory)."""
    assert foam.maxwell_garnett(gas) == pytest.approx(mg, abs=1e-4)
    assert foam.bruggeman(gas) == pytest.approx(bruggeman, abs=1e-4)
    assert foam.looyenga(gas) == pytest.approx(looyenga, abs=1e-4)


@given(shares, st.floats(1.05, 4.0))
def test_models_keep_within_the_bounds(gas, solid):
    """Series ≤ Hashin–Shtrikman− ≤ each model ≤ Maxwell Garnett (= HS+) ≤ parallel."""
    series, parallel = foam.wiener(gas, solid)
    lower = foam.hashin_shtrikman_lower(gas, solid)
    upper = foam.maxwell_garnett(gas, solid)
    for model in (foam.bruggeman, foam.looyenga):
        assert series - 1e-9 <= lower <= model(gas, solid) + 1e-9
        assert model(gas, solid) <= upper + 1e-9 <= parallel + 2e-9


@given(shares, st.sampled_from(sorted(MODELS)))
def test_the_foaming_degree_is_the_inverse(gas, model):
    assert foam.gas_share(MODELS[model](gas, 2.28), model, 2.28) == pytest.approx(gas, abs=1e-7)


@given(st.floats(0.0, 0.99), st.sampled_from(sorted(MODELS)))
def test_more_gas_means_less_permittivity(gas, model):
    assert MODELS[model](gas + 0.01, 2.28) < MODELS[model](gas, 2.28)


def test_a_cellular_cable_core_has_the_gas_its_velocity_asks_for():
    """Velocity 84 % of a head-end cable (Hranac 2010, verified) is ε = 1.417; 60 % gas by Looyenga."""
    assert foam.gas_share(1 / 0.84**2) == pytest.approx(0.61, abs=0.01)


def test_density_of_a_weighed_metre():
    assert foam.gas_share_from_density(0.38, 0.95) == pytest.approx(0.6)
    assert foam.density(0.6, 0.95) == pytest.approx(0.38)


def test_what_cannot_be_is_refused():
    with pytest.raises(MixtureError, match="not between 1"):
        foam.gas_share(2.5)
    with pytest.raises(MixtureError, match="looyenga"):
        foam.gas_share(1.5, "nonsense")
    with pytest.raises(MixtureError):
        foam.looyenga(1.2)
    with pytest.raises(MixtureError):
        foam.gas_share_from_density(1.2, 0.95)
