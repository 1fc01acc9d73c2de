"""Every public function of the physics room with input that cannot be: an error that says what and what is allowed, or a number that is
one. Never a silent NaN or infinity, never an error of arithmetic."""

import importlib
import inspect
import pkgutil
from math import inf, isfinite, nan

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

import metrepost.physics
from metrepost.physics import coax, corrections, foam, layers, mismatch, structure
from metrepost.physics.allowed import PhysicsError
from metrepost.physics.coax import GeometryError
from metrepost.physics.corrections import StrandError
from metrepost.physics.foam import MixtureError
from metrepost.physics.layers import Layer
from metrepost.physics.mismatch import MismatchError
from metrepost.physics.structure import StructureError


def eps_of_layer(inner, between, outer, eps, other):
    return layers.effective_permittivity(inner, [Layer(between, eps), Layer(outer, other)])


def c_of_layer(inner, between, outer, eps, other):
    return layers.capacitance(inner, [Layer(between, eps), Layer(outer, other)])


def z_of_layer(inner, between, outer, eps, other):
    return layers.impedance(inner, [Layer(between, eps), Layer(outer, other)])


def share_by(model):
    def gas_share(permittivity, solid):
        return foam.gas_share(permittivity, model, solid)

    return gas_share


def strands(circumscribed, factor):
    return corrections.effective_inner(circumscribed, 5, {5: factor})


WALL, OFFSET = "inner < outer", "at least 0 and below"
EPS, ZERO, ABOVE, IN = "below 1", "must be 0 or more", "must be above 0", "allowed is"
BADLY = (nan, inf, -inf, -1.0)
# function, good arguments, then for each argument what it cannot be and the words that say what is allowed
REFUSED = [
    (coax.ratio_log, (1.02, 4.8), [((*BADLY, 0.0, 4.8, 5.0), WALL), ((*BADLY, 0.0, 1.02, 1.0), WALL)], GeometryError),
    (
        coax.impedance,
        (1.02, 4.8, 1.5),
        [((*BADLY, 0.0, 5.0), WALL), ((*BADLY, 0.0, 1.0), WALL), ((*BADLY, 0.0, 0.999), EPS)],
        GeometryError,
    ),
    (
        coax.capacitance,
        (1.02, 4.8, 1.5),
        [((*BADLY, 0.0, 5.0), WALL), ((*BADLY, 0.0, 1.0), WALL), ((*BADLY, 0.0, 0.999), EPS)],
        GeometryError,
    ),
    (coax.inductance, (1.02, 4.8), [((*BADLY, 0.0, 5.0), WALL), ((*BADLY, 0.0, 1.0), WALL)], GeometryError),
    (coax.checked_permittivity, (1.5,), [((*BADLY, 0.0, 0.999, 2e6), EPS)], GeometryError),
    (coax.velocity_factor, (1.5,), [((*BADLY, 0.0, 0.999), EPS)], GeometryError),
    (coax.delay, (1.5,), [((*BADLY, 0.0, 0.999), EPS)], GeometryError),
    (coax.impedance_from_capacitance, (5e-11, 0.8), [((*BADLY, 0.0), IN), ((*BADLY, 0.0, 1.01), IN)], GeometryError),
    (
        coax.cutoff,
        (1.02e-3, 4.8e-3, 1.5),
        [((*BADLY, 0.0, 5.0), WALL), ((*BADLY, 0.0, 1e-3), WALL), ((*BADLY, 0.0, 0.999), EPS)],
        GeometryError,
    ),
    (
        coax.effective_permittivity,
        (5.5e-11, 1.02, 4.8),
        [((*BADLY, 0.0, 2e-11), EPS), ((*BADLY, 0.0, 5.0), WALL), ((*BADLY, 0.0, 1.0), WALL)],
        GeometryError,
    ),
    (
        coax.sensitivity_impedance,
        (1.02, 4.8, 0.01, 0.01, 0.01),
        [((*BADLY, 0.0), WALL), ((*BADLY, 0.0), WALL), *[((nan, inf, -inf), "must be a number")] * 3],
        GeometryError,
    ),
    (
        coax.sensitivity_capacitance,
        (1.02, 4.8, 0.01, 0.01, 0.01),
        [((*BADLY, 0.0), WALL), ((*BADLY, 0.0), WALL), *[((nan, inf, -inf), "must be a number")] * 3],
        GeometryError,
    ),
    (
        coax.eccentric_impedance,
        (2.0, 7.2, 0.5, 1.5),
        [((*BADLY, 0.0), WALL), ((*BADLY, 0.0), WALL), ((*BADLY, 2.6, 3.0), OFFSET), ((*BADLY, 0.0, 0.999), EPS)],
        GeometryError,
    ),
    (
        coax.eccentric_share,
        (2.0, 7.2, 0.5),
        [((*BADLY, 0.0), WALL), ((*BADLY, 0.0), WALL), ((*BADLY, 2.6, 3.0), OFFSET)],
        GeometryError,
    ),
    (
        layers.foam_permittivity,
        (1.6, 1.02, 1.12, 4.7, 4.8, 2.3),
        [((*BADLY, 0.5), EPS), *[(BADLY, WALL)] * 4, ((*BADLY, 0.5), EPS)],
        GeometryError,
    ),
    (coax.concentricity, (1.8, 1.9), [((*BADLY, 2.0), IN), ((*BADLY, 0.0), ABOVE)], GeometryError),
    (
        corrections.effective_outer,
        (4.8, 0.1, 1.5),
        [((*BADLY, 0.0), ABOVE), (BADLY, ZERO), ((*BADLY, 11.0), IN)],
        GeometryError,
    ),
    (strands, (1.0, 0.9), [((), ""), ((*BADLY, 0.0, 1.1), IN)], StrandError),
    (strands, (1.0, 0.9), [((*BADLY, 0.0), ABOVE), ((), "")], GeometryError),
    *[
        (
            function,
            (1.02, 2.0, 4.8, 2.28, 1.5),
            [
                ((*BADLY, 0.0, 2.0), "layer 1 of 2.*" + WALL),
                ((*BADLY, 0.0, 1.0, 4.8), "layer [12] of 2.*" + WALL),
                ((*BADLY, 0.0, 2.0), "layer 2 of 2.*" + WALL),
                ((*BADLY, 0.0, 0.999), "layer 1 of 2.*" + EPS),
                ((*BADLY, 0.0, 0.999), "layer 2 of 2.*" + EPS),
            ],
            GeometryError,
        )
        for function in (eps_of_layer, c_of_layer, z_of_layer)
    ],
    *[
        (function, (0.5, 2.28), [((*BADLY, 1.01), IN), ((*BADLY, 0.0, 0.999), IN)], MixtureError)
        for function in (*foam.MODELS.values(), foam.hashin_shtrikman_lower)
    ],
    *[
        (
            share_by(model),
            (1.5, 2.28),
            [((*BADLY, 0.0, 0.999, 2.3), "is not between 1"), ((*BADLY, 0.0, 1.0), IN)],
            MixtureError,
        )
        for model in foam.MODELS
    ],
    (foam.density, (0.5, 0.95), [((*BADLY, 1.01), IN), ((*BADLY, 0.0), ABOVE)], MixtureError),
    (foam.gas_share_from_density, (0.4, 0.95), [((*BADLY, 1.0), "is not between 0"), ((*BADLY, 0.0), ABOVE)], MixtureError),
    (mismatch.reflection, (48.0, 50.0), [((*BADLY, 0.0), ABOVE), ((*BADLY, 0.0), ABOVE)], MismatchError),
    *[
        (function, (0.1,), [((nan, inf, -inf, 1.01, -1.01), "allowed is 0 … 1")], MismatchError)
        for function in (mismatch.return_loss, mismatch.standing_wave_ratio, mismatch.mismatch_loss)
    ],
    (mismatch.gamma_of, (20.0,), [((nan, -inf, -1.0), ZERO)], MismatchError),
    (
        structure.spike_frequency,
        (0.5, 0.85, 1),
        [((*BADLY, 0.0), ABOVE), ((*BADLY, 0.0, 1.01), IN), ((*BADLY, 0, 1.5), "whole number from 1")],
        StructureError,
    ),
    (
        structure.impedance_amplitude,
        (0.01, 1.02, 4.8),
        [((nan, inf, -inf, 3.79, -3.79), "must be below"), ((*BADLY, 0.0, 4.8), WALL), ((*BADLY, 0.0, 1.0), WALL)],
        GeometryError,
    ),
    (structure.coupling, (1e-3, 0.5), [((nan, inf, -inf, 1.01), IN), ((*BADLY, 0.0), ABOVE)], StructureError),
    *[
        (
            function,
            (1e-3, 0.5, 100.0, 0.05),
            [((nan, inf, -inf, 1.01), IN), ((*BADLY, 0.0), ABOVE), (BADLY, ZERO), (BADLY, ZERO)],
            StructureError,
        )
        for function in (structure.reflection_at_spike, structure.structural_return_loss)
    ],
    (structure.effective_bumps, (0.0165,), [((*BADLY, 0.0, 1001.0), ABOVE)], StructureError),
    (
        structure.lossy_bumps,
        (1e-3, 0.0165),
        [((nan, inf, -inf, 1.0, -1.0), "between -1 and 1"), ((*BADLY, 0.0), ABOVE)],
        StructureError,
    ),
    (
        structure.lossless_bumps,
        (1e-3, 10),
        [((nan, inf, -inf, 1.0, -1.0), "between -1 and 1"), ((*BADLY, 0, 1.5), "whole number from 1")],
        StructureError,
    ),
    (structure.effective_length, (0.05,), [((*BADLY, 0.0), ABOVE)], StructureError),
]


def one_by_one():
    for function, good, arguments, error in REFUSED:
        assert len(good) == len(arguments), function
        for place, (values, words) in enumerate(arguments):
            for value in values:
                wrong = (*good[:place], value, *good[place + 1 :])
                yield pytest.param(function, wrong, words, error, id=f"{function.__name__}{wrong}")


@pytest.mark.parametrize(("function", "wrong", "words", "error"), list(one_by_one()))
def test_what_cannot_be_is_refused_and_the_error_says_what_is_allowed(function, wrong, words, error):
    with pytest.raises(error, match=words) as told:
        function(*wrong)
    assert type(told.value) is error


@pytest.mark.parametrize(("function", "good"), [(function, good) for function, good, _, _ in REFUSED])
def test_the_good_arguments_of_these_tests_are_good(function, good):
    assert isfinite(function(*good))


@pytest.mark.parametrize("bounds", [(-0.1, 2.28), (1.1, 2.28), (nan, 2.28), (0.5, 0.9), (0.5, nan), (0.5, inf)])
def test_bounds_of_nothing(bounds):
    with pytest.raises(MixtureError, match=IN):
        foam.wiener(*bounds)


@pytest.mark.parametrize("function", [layers.effective_permittivity, layers.capacitance, layers.impedance])
def test_a_core_without_layers(function):
    with pytest.raises(GeometryError, match="at least one"):
        function(1.0, [])


def test_names_that_do_not_exist():
    with pytest.raises(StrandError, match="7, 12, 19"):
        corrections.effective_inner(1.0, 8)
    with pytest.raises(MixtureError, match="looyenga, lichtenecker"):
        foam.gas_share(1.5, "nonsense")


def public():
    for module in pkgutil.iter_modules(metrepost.physics.__path__, "metrepost.physics."):
        there = importlib.import_module(module.name)
        for name, thing in vars(there).items():
            if inspect.isfunction(thing) and thing.__module__ == module.name and not name.startswith("_"):
                yield thing


HELPERS = {"within", "above_zero", "zero_or_more", "finite"}  # what refuses for the others
BY_ANOTHER_NAME = {"gas_share", "effective_inner", "wiener"}  # above, with fewer arguments or another result


def test_no_public_function_is_left_out():
    tested = {(function.__module__, function.__name__) for function, *_ in REFUSED}
    tested |= {("metrepost.physics.layers", name) for name in ("effective_permittivity", "capacitance", "impedance")}
    left = {f.__name__ for f in public() if (f.__module__, f.__name__) not in tested}
    assert left == HELPERS | BY_ANOTHER_NAME


def test_every_error_of_the_room_is_one_kind():
    """So that a caller can catch them all: ValueError with a sentence."""
    for error in (GeometryError, StrandError, MixtureError, MismatchError, StructureError):
        assert issubclass(error, PhysicsError)
    assert issubclass(PhysicsError, ValueError)


anything = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(-10, 10),
    st.floats(0, 2),
    st.sampled_from([0.0, -0.0, 1.0, -1.0, 5e-324, 1e-12, 1e12, 1.7e308, inf, -inf, nan]),
)
# infinite by definition, and said so: no reflection is no return loss, all of it no standing wave and no power going on
ENDLESS = {mismatch.return_loss, mismatch.standing_wave_ratio, mismatch.mismatch_loss, structure.structural_return_loss}


@pytest.mark.parametrize("function", sorted({f for f, *_ in REFUSED}, key=lambda f: f.__qualname__), ids=lambda f: f.__name__)
def test_any_numbers_at_all(function):
    count = len(inspect.signature(function).parameters)

    @given(st.lists(anything, min_size=count, max_size=count))
    @example([1.0] * count)
    @example([0.0] * count)
    @example([1e12] * count)
    @example([1e-12] * count)
    @example([1.0] * max(count - 2, 0) + [2.0, 1.0][: min(count, 2)])  # foam_permittivity: skins that leave no foam
    def numbers(arguments):
        try:
            found = function(*arguments)
        except PhysicsError as error:
            told = str(error)
        else:
            assert isfinite(found) or (function in ENDLESS and found == inf), arguments
            return
        assert any(words in told for words in ("must", "allowed", "not between", "at least")), told

    numbers()


near = st.sampled_from([1.0, 1 + 1e-15, 1 + 1e-9, 1.5, 1e3])


@given(st.sampled_from([1e-12, 1e-9, 1e-3, 1.0, 1e3]), near, near, st.sampled_from([0.0, 1e-9, 0.5, 1 - 1e-9, 1 - 1e-15, 1.0]))
def test_lines_at_the_edge_of_what_is_allowed(inner, ratio, eps, share):
    """Walls of a last digit and offsets that nearly touch: impedances are above 0 and finite, or refused."""
    outer = inner * ratio
    for function, arguments in (
        (coax.impedance, (inner, outer, eps)),
        (coax.capacitance, (inner, outer, eps)),
        (coax.inductance, (inner, outer)),
        (coax.cutoff, (inner, outer, eps)),
        (coax.eccentric_impedance, (inner, outer, share * (outer - inner) / 2, eps)),
        (layers.impedance, (inner, [Layer(outer, eps)])),
    ):
        try:
            found = function(*arguments)
        except GeometryError:
            assert not inner < outer or share == 1.0 or share * (outer - inner) / 2 >= (outer - inner) / 2
        else:
            assert 0 < found < inf
