"""Rollup statistics against the NIST Statistical Reference Datasets, univariate (itl.nist.gov/div898/strd/univ, public domain).

Certified means and deviations are as published. NumAcc1 to 4 are made from their definition; the lists of Mavro, Michelso and
Lew are from memory and verified against all certified figures, the lag-1 autocorrelation included (it depends on the order).
Lottery is left out, its list not being known for certain, and so is PiDigits: the first 5000 digits of pi, worked out anew, have
the mean 4.5358 and not the certified 4.5348, so that its list is not simply these.
"""

import itertools
import math
from fractions import Fraction

import pytest

from metrepost.rollups import Moments
from support_rollups import book, exact, measured, one_pass_sd

LEW = """-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579 -52 99 -543 -175 162 -457 -346 204
-300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374 201 -236 -531 83 27 -564 -112 131 -507 -254 199 -311 -495 143 -46 -579 -90
136 -472 -338 202 -287 -477 169 -124 -568 17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92 -534 -243 194 -355 -465 156 -81 -578
-64 139 -449 -384 193 -198 -538 110 -44 -577 -6 66 -552 -164 161 -460 -344 205 -281 -504 134 -28 -576 -118 156 -437 -381 200 -220
-540 83 11 -568 -160 172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504 142 -83 -574 0 48 -571 -106 137 -501 -266 190
-391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280 201 300 -506 131 -45 -578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235
187 -372 -442 182 -147 -566 25 68 -535 -244 194 -351 -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96"""

MAVRO = """2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170 2.00180 2.00180 2.00190 2.00190
2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150 2.00160 2.00150 2.00140 2.00130 2.00140 2.00150 2.00140 2.00150
2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220 2.00230 2.00240 2.00250 2.00270 2.00260 2.00260 2.00260 2.00270
2.00260 2.00250 2.00240"""

MICHELSO = """299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65 299.76 299.81 300.00
300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88 299.90 299.84 299.83 299.79 299.81 299.88 299.88
299.83 299.80 299.79 299.76 299.80 299.88 299.88 299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95 299.88 299.91 299.85
299.87 299.84 299.84 299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76 299.91
299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81 299.76 299.81 299.79 299.81 299.82
299.85 299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87"""


def listed(text):
    return [float(word) for word in text.split()]


def alternating(middle, low, high):
    return [middle, *itertools.chain.from_iterable([(low, high)] * 500)]


# name: data, certified mean, certified deviation, certified lag-1 autocorrelation, relative tolerance (references.md 6.4)
SETS = {
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, -0.5, 1e-13),
    "NumAcc2": (alternating(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 1e-13),
    "NumAcc3": (alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 1e-10),
    "NumAcc4": (alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, -0.999, 1e-9),
    "Mavro": (listed(MAVRO), 2.00185600000000, 0.000429123454003053, 0.937989183438248, 1e-13),
    "Michelso": (listed(MICHELSO), 299.852400000000, 0.0790105478190518, 0.535199668621283, 1e-13),
    "Lew": (listed(LEW), -177.435000000000, 277.332168044316, -0.307304800605679, 1e-13),
}
# what the doubles nearest to the printed decimals deviate by, at the worst: the data themselves are rounded on input
INPUT_ROUNDING = {"NumAcc3": 1e-9, "NumAcc4": 1e-8, "Mavro": 5e-13, "Michelso": 1e-12}


def lag1(values):
    mean = math.fsum(values) / len(values)
    above = math.fsum((a - mean) * (b - mean) for a, b in itertools.pairwise(values))
    return above / math.fsum((x - mean) ** 2 for x in values)


def moments(values):
    m = Moments()
    for x in values:
        m.add(x)
    return m


@pytest.mark.parametrize("name", SETS)
def test_the_data_are_those_that_were_certified(name):
    """Count, mean, deviation and order, in exact arithmetic, by none of the product's code."""
    values, mean, sd, autocorrelation, _ = SETS[name]
    exact_mean, exact_sd = exact([(x, 1.0) for x in values])
    assert exact_mean == pytest.approx(mean, rel=1e-14)
    assert exact_sd == pytest.approx(sd, rel=INPUT_ROUNDING.get(name, 1e-13))
    assert lag1(values) == pytest.approx(autocorrelation, rel=1e-8)


@pytest.mark.parametrize("name", SETS)
def test_mean_and_deviation_of_the_certified_sets(name):
    values, mean, sd, _, tolerance = SETS[name]
    m = moments(values)
    assert m.n == len(values)
    assert m.mean == pytest.approx(mean, rel=1e-14)
    # against the exact deviation of the doubles at the tolerance, and against the certified one as far as input rounding allows
    assert m.sd == pytest.approx(exact([(x, 1.0) for x in values])[1], rel=min(tolerance, 1e-12))
    assert m.sd == pytest.approx(sd, rel=max(tolerance, INPUT_ROUNDING.get(name, 0.0)))


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("parts", [2, 7])
def test_merged_parts_of_the_certified_sets_equal_the_whole(name, parts):
    values = SETS[name][0]
    whole, merged = moments(values), Moments()
    for k in range(parts):
        merged.merge(moments(values[k * len(values) // parts : (k + 1) * len(values) // parts]))
    assert merged.n == whole.n
    assert merged.mean == pytest.approx(whole.mean, rel=1e-12)
    assert merged.sd == pytest.approx(whole.sd, rel=1e-12)


@pytest.mark.parametrize(("name", "wrong"), [("NumAcc3", 0.099), ("NumAcc4", 0.0)])
def test_the_one_pass_formula_falls_into_the_trap_and_ours_does_not(name, wrong):
    """Sum of squares less n times the squared mean: NumAcc4 gives 0.0 or worse, where the deviation is 0.1."""
    values, _, sd, _, _ = SETS[name]
    assert abs(one_pass_sd(values) - sd) / sd > 1e-3
    if wrong == 0.0:
        assert abs(one_pass_sd(values) - sd) / sd > 0.1
    assert moments(values).sd == pytest.approx(sd, rel=INPUT_ROUNDING[name])


@pytest.mark.parametrize("name", ["NumAcc4", "Lew", "Mavro"])
def test_the_certified_sets_through_a_bucket_of_a_rollup(name):
    """One reading each quarter of a metre, into one bucket that fits them exactly."""
    values, mean, sd, _, tolerance = SETS[name]
    b = book(lengths=[("whole", 0.25 * len(values))])
    out = b.reading(measured(0.0, 0.0), "p")
    for i, x in enumerate(values, 1):
        out += b.reading(measured(0.25 * i, 0.1 * i, x), "p")
    (rollup,) = [item.data for item in out]
    assert (rollup.n, rollup.metres_left_out) == (len(values), 0.0)
    assert rollup.mean == pytest.approx(mean, rel=1e-14)
    assert rollup.sd == pytest.approx(sd, rel=max(tolerance, INPUT_ROUNDING.get(name, 0.0)))
    assert Fraction(rollup.max) == max(Fraction(x) for x in values)
