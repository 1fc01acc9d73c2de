"""Functions of computed tags: values against the physics they stand for, uncertainties against a second library and Monte Carlo."""

import math
import random
from collections.abc import Callable
from typing import Any

import pytest
from uncertainties import UFloat, ufloat, umath

from metrepost.line.computed import ComputedTag
from metrepost.line.formulas import FUNCTIONS, Formula
from metrepost.line.physical import PHYSICAL
from metrepost.line.plan import ComputedPlan, Product, Registration, Station, Toleranced
from metrepost.line.propagation import combined
from metrepost.physics import coax, layers
from metrepost.readings import GOOD, Measured, Tag

INNER = Toleranced(1.02, 0.005, "mm")
PRODUCT = Product("K75", {"conductor": INNER, "impedance": Toleranced(75.0, None, "ohm")})
E0, C0 = coax.EPSILON_0, coax.C


def formula(function: str, options: dict[str, float | str] | None = None, units: tuple[str, ...] | None = None) -> Formula:
    inputs = units or PHYSICAL[function].inputs
    tags = {f"s.{n}": Tag(f"s.{n}", "s", unit) for n, unit in enumerate(inputs)}
    return Formula(ComputedPlan("s.made", function, tuple(tags), options or {}), tags)


# ---- plain functions -----------------------------------------------------------------------------------------------------------

PLAIN: dict[str, Callable[..., Any]] = {
    "mean": lambda *x: sum(x) / len(x),
    "difference": lambda a, b: umath.sqrt((a - b) ** 2),
    "sum": lambda *x: sum(x),
    "ratio": lambda a, b: a / b,
    "min": lambda *x: min(x, key=lambda each: each.nominal_value),
    "max": lambda *x: max(x, key=lambda each: each.nominal_value),
}


def test_each_plain_function_is_compared():
    assert set(PLAIN) == set(FUNCTIONS)


@pytest.mark.parametrize("name", PLAIN)
@pytest.mark.parametrize(("values", "us"), [((4.80, 4.83), (0.001, 0.002)), ((-3.0, 2.0), (0.1, 0.3))])
def test_plain_functions_propagate_like_the_uncertainties_package(name, values, us):
    expected = PLAIN[name](*(ufloat(v, u) for v, u in zip(values, us, strict=True)))
    found = formula(name, units=("mm", "mm")).of(values, us, PRODUCT)
    assert found.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert found.uncertainty == pytest.approx(expected.std_dev, rel=1e-9)


def test_of_two_equal_extremes_the_less_certain_counts():
    assert formula("max", units=("mm", "mm")).of((4.8, 4.8), (0.001, 0.003), PRODUCT).uncertainty == 0.003


def test_what_one_input_does_not_state_the_result_does_not_state():
    assert formula("mean", units=("mm", "mm")).of((1.0, 2.0), (0.1, None), PRODUCT).uncertainty is None
    assert formula("velocity_factor").of((1.5,), (None,), PRODUCT).uncertainty is None


# ---- physics -------------------------------------------------------------------------------------------------------------------

COND = {"conductor": "product.conductor"}
U_INNER = 0.005 / math.sqrt(3)  # rectangular, JCGM 100:2008 4.3.7


def inner() -> UFloat:
    return ufloat(1.02, U_INNER)


def z(d: Any, outer: Any, eps: Any) -> Any:
    return coax.Z_VACUUM / (2 * math.pi * umath.sqrt(eps)) * umath.log(outer / d)


def eps_of(cap: Any, d: Any, outer: Any) -> Any:
    return cap * 1e-12 * umath.log(outer / d) / (2 * math.pi * E0)


def eps_layered(foam_eps: Any, core: Any, d: Any) -> Any:
    one, two = d + 2 * 0.05, core - 2 * 0.1
    total = umath.log(one / d) / 2.3 + umath.log(two / one) / foam_eps + umath.log(core / two) / 2.3
    return umath.log(core / d) / total


def foam_of(effective: Any, core: Any, d: Any) -> Any:
    one, two = d + 2 * 0.05, core - 2 * 0.1
    rest = umath.log(core / d) / effective - umath.log(one / d) / 2.3 - umath.log(core / two) / 2.3
    return umath.log(two / one) / rest


def eccentric(eps: Any, outer: Any, e: Any, d: Any) -> Any:
    return coax.Z_VACUUM / (2 * math.pi * umath.sqrt(eps)) * umath.acosh((outer**2 + d**2 - 4 * e**2) / (2 * outer * d))


def gamma(x: Any) -> Any:
    return (x - 75.0) / (x + 75.0)


SKINS = {"inner_skin": 0.05, "outer_skin": 0.1, "skin_permittivity": 2.3}
RHO = {"solid_density": 0.94}
REF = {"reference": "product.impedance"}
CASES: dict[str, tuple[dict[str, float | str], tuple[float, ...], tuple[float, ...], Callable[..., Any]]] = {
    "effective_permittivity": (COND, (55.0, 4.8), (0.2, 0.01), lambda c, dia: eps_of(c, inner(), dia)),
    "capacitance": (COND, (1.5, 4.8), (0.01, 0.01), lambda e, dia: 2e12 * math.pi * E0 * e / umath.log(dia / inner())),
    "inductance": (COND, (4.8,), (0.01,), lambda dia: 1e9 * coax.MU_0 / (2 * math.pi) * umath.log(dia / inner())),
    "impedance": (COND, (1.5, 4.8), (0.01, 0.01), lambda e, dia: z(inner(), dia, e)),
    "core_impedance": (
        {**COND, "strand_factor": 0.97, "braid_wire": 0.12, "braid_factor": 1.6},
        (55.0, 4.8),
        (0.2, 0.01),
        lambda c, dia: z(d := 0.97 * inner(), dia + 1.6 * 0.12, eps_of(c, d, dia)),
    ),
    "eccentric_impedance": (COND, (1.5, 4.8, 0.3), (0.01, 0.01, 0.02), lambda e, dia, o: eccentric(e, dia, o, inner())),
    "impedance_from_capacitance": ({}, (55.0, 81.0), (0.2, 0.3), lambda c, v: 1 / (c * 1e-12 * v / 100 * C0)),
    "layered_permittivity": ({**COND, **SKINS}, (1.4, 4.8), (0.01, 0.01), lambda e, dia: eps_layered(e, dia, inner())),
    "layered_impedance": (
        {**COND, **SKINS},
        (1.4, 4.8),
        (0.01, 0.01),
        lambda e, dia: z(d := inner(), dia, eps_layered(e, dia, d)),
    ),
    "foam_permittivity": ({**COND, **SKINS}, (1.5, 4.8), (0.01, 0.01), lambda e, dia: foam_of(e, dia, inner())),
    "velocity_factor": ({}, (1.5,), (0.01,), lambda e: 100 / umath.sqrt(e)),
    "delay": ({}, (1.5,), (0.01,), lambda e: 1e9 * umath.sqrt(e) / C0),
    "cutoff": (COND, (1.5, 4.8), (0.01, 0.01), lambda e, dia: 2e-6 * C0 / (math.pi * umath.sqrt(e) * (dia + inner()))),
    "concentricity": ({}, (1.85, 1.92), (0.01, 0.01), lambda a, b: 100 * a / b),
    "foaming_degree": (
        {"model": "looyenga", "solid": 2.28},
        (1.5,),
        (0.01,),
        lambda e: 100 * (2.28 ** (1 / 3) - e ** (1 / 3)) / (2.28 ** (1 / 3) - 1),
    ),
    "foam_density": (RHO, (55.0,), (1.0,), lambda g: (1 - g / 100) * 0.94),
    "mixture_permittivity": (
        {"model": "looyenga"},
        (55.0,),
        (1.0,),
        lambda g: (g / 100 + (1 - g / 100) * 2.28 ** (1 / 3)) ** 3,
    ),
    "reflection": (REF, (80.0,), (0.2,), gamma),
    "return_loss": (REF, (80.0,), (0.2,), lambda x: -20 * umath.log10(gamma(x))),
    "standing_wave_ratio": (REF, (80.0,), (0.2,), lambda x: x / 75.0),
    "mismatch_loss": (REF, (80.0,), (0.2,), lambda x: -10 * umath.log10(1 - gamma(x) ** 2)),
}


def test_each_physical_function_is_compared():
    assert set(CASES) == set(PHYSICAL)


@pytest.mark.parametrize("name", CASES)
def test_physics_and_its_uncertainty_agree_with_the_formula_written_anew(name):
    """The formula once more, by hand, in the algebra of the `uncertainties` package (linear error propagation)."""
    options, values, us, again = CASES[name]
    expected = again(*(ufloat(v, u) for v, u in zip(values, us, strict=True)))
    found = formula(name, options).of(values, us, PRODUCT)
    assert found.wrong == ""
    assert found.value == pytest.approx(expected.nominal_value, rel=1e-9)
    assert found.uncertainty == pytest.approx(expected.std_dev, rel=2e-5)


def test_core_impedance_against_monte_carlo():
    """JCGM 101:2008: propagate distributions; 40 000 draws give the deviation within 1.5 % (fixed seed)."""
    draw = random.Random(1)
    found = formula("core_impedance", COND).of((55.0, 4.8), (0.3, 0.01), PRODUCT)
    drawn = []
    for _ in range(40_000):
        cap, outer, inside = draw.gauss(55.0, 0.3), draw.gauss(4.8, 0.01), draw.uniform(1.015, 1.025)
        drawn.append(coax.impedance(inside, outer, coax.effective_permittivity(cap * 1e-12, inside, outer)))
    mean = math.fsum(drawn) / len(drawn)
    deviation = math.sqrt(math.fsum((x - mean) ** 2 for x in drawn) / (len(drawn) - 1))
    assert found.uncertainty == pytest.approx(deviation, rel=0.015)
    assert found.value == pytest.approx(mean, rel=1e-4)


def test_inputs_that_share_a_cause_are_not_uncorrelated():
    """What config/README.md warns of: the diameter twice in it makes another figure than the one-step function."""
    cap, outer = (55.0, 0.3), (4.8, 0.03)
    eps = formula("effective_permittivity", COND).of((cap[0], outer[0]), (cap[1], outer[1]), PRODUCT)
    twice = formula("impedance", COND).of((eps.value, outer[0]), (eps.uncertainty, outer[1]), PRODUCT)
    once = formula("core_impedance", COND).of((cap[0], outer[0]), (cap[1], outer[1]), PRODUCT)
    assert twice.value == pytest.approx(once.value, rel=1e-12)
    assert twice.uncertainty > 1.1 * once.uncertainty


def test_uncertainties_come_in_the_units_of_their_tags():
    in_um = formula("capacitance", {"conductor": 1.02}, ("", "um")).of((1.5, 4800.0), (0.0, 10.0), PRODUCT)
    in_mm = formula("capacitance", {"conductor": 1.02}).of((1.5, 4.8), (0.0, 0.01), PRODUCT)
    assert in_um.uncertainty == pytest.approx(in_mm.uncertainty, rel=1e-6)
    assert in_mm.uncertainty > 0


def test_at_the_edge_of_what_a_formula_takes_one_side_is_enough():
    """Solid permittivity: a little more is refused. The slope is that from below, by the formula of Looyenga."""
    found = formula("foaming_degree", {"model": "looyenga", "solid": 2.28}).of((2.28,), (0.01,), PRODUCT)
    slope = 100 / 3 * 2.28 ** (-2 / 3) / (2.28 ** (1 / 3) - 1)
    assert found.value == pytest.approx(0.0, abs=1e-9)
    assert found.uncertainty == pytest.approx(slope * 0.01, rel=1e-3)
    assert combined(lambda v: math.sqrt(-1.0 - v[0] ** 2), [1.0], [0.1]) is None


# ---- corrections and answers that do not exist ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "effective"),
    [
        ({}, 1.02),
        ({"strands": 7.0}, 1.02 * 0.939),
        ({"strand_factor": 0.95}, 1.02 * 0.95),
        ({"strands": "product.strands"}, 1.02 * 0.970),
    ],
)
def test_a_stranded_conductor_counts_as_smaller(options, effective):
    """The table of strands is from memory; what is checked is that it is used."""
    product = Product("K75", {"conductor": INNER, "strands": Toleranced(19.0, None, "")})
    found = formula("capacitance", {**COND, **options}).of((1.5, 4.8), (None, None), product)
    assert found.value == pytest.approx(1e12 * coax.capacitance(effective, 4.8, 1.5), rel=1e-12)


def test_skins_and_foam_are_each_others_inverse():
    options: dict[str, float | str] = {**COND, **SKINS}
    core = formula("layered_permittivity", options).of((1.4, 4.8), (None, None), PRODUCT)
    back = formula("foam_permittivity", options).of((core.value, 4.8), (None, None), PRODUCT)
    assert back.value == pytest.approx(1.4, rel=1e-12)
    bare = formula("layered_permittivity", COND).of((1.4, 4.8), (None, None), PRODUCT)
    assert bare.value == pytest.approx(1.4, rel=1e-12)
    assert bare.value < core.value < 2.3
    three = [layers.Layer(1.12, 2.3), layers.Layer(4.6, 1.4), layers.Layer(4.8, 2.3)]
    assert core.value == pytest.approx(layers.effective_permittivity(1.02, three), rel=1e-12)


@pytest.mark.parametrize(
    ("name", "options", "values", "words"),
    [
        ("eccentric_impedance", COND, (1.5, 4.8, 1.9), "through the outer one"),
        ("foam_permittivity", {**COND, **SKINS}, (1.0, 4.8), "below 1"),
        ("foam_permittivity", {**COND, **SKINS}, (60.0, 4.8), "leaves no foam"),
        ("foam_permittivity", {**COND, **SKINS}, (1.5, 1.0), "0 < inner < outer"),
        ("layered_permittivity", {**COND, **SKINS}, (1.4, 1.2), "0 < inner < outer"),
        ("inductance", {**COND, "strand_factor": 97.0}, (4.8,), "allowed is 0.5 … 1"),
        ("return_loss", REF, (75.0,), "not finite"),
        ("return_loss", REF, (-1.0,), "above 0"),
        ("concentricity", {}, (2.0, 1.0), "thinnest wall is 2; allowed is 0 … 1"),
        ("mixture_permittivity", {"model": "bruggeman"}, (120.0,), "gas share is 1.2; allowed is 0 … 1"),
        ("effective_permittivity", {"conductor": "product.wire"}, (55.0, 4.8), "product K75 has no wire"),
    ],
)
def test_where_there_is_no_value_the_reason_says_why(name, options, values, words):
    found = formula(name, options).of(values, (0.1,) * len(values), PRODUCT)
    assert math.isnan(found.value)
    assert found.uncertainty is None
    assert words in found.wrong


def test_a_ratio_over_nothing_is_no_value():
    assert formula("ratio", units=("mm", "mm")).of((1.0, 0.0), (0.1, 0.1), PRODUCT).wrong == "division by zero"
    assert "not finite" in formula("sum", units=("mm", "mm")).of((1e308, 1e308), (None, None), PRODUCT).wrong


def test_a_computed_tag_carries_its_uncertainty():
    stations = {"s": Station("s", 0.0)}
    tags = {f"s.{n}": Tag(f"s.{n}", "s", "mm") for n in ("x", "y", "made")}
    made = ComputedTag(ComputedPlan("s.made", "mean", ("s.x", "s.y")), tags, stations, Registration())

    def read(tag: str, u: float | None) -> Measured | None:
        return made.reading(Measured(tag, 1.0, 4.8, GOOD, "", 1.0, 1.0, 1.0, 0.01, True, 1.0, u), PRODUCT)

    read("s.x", 0.003)
    found = read("s.y", 0.004)
    assert found is not None
    assert found.value_uncertainty == pytest.approx(0.0025)
    read("s.x", 0.003)
    found = read("s.y", None)
    assert found is not None
    assert found.value_uncertainty is None
