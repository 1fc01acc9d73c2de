"""Capability indices and moving ranges against published examples."""

import statistics

import numpy as np
import pytest
from capstat_core.capability import capability
from capstat_core.constants import d2

from metrepost.rollups import Limits, Moments, MovingRange, indices
from metrepost.rollups.capability import D2
from support_rollups import book, measured

FLOWRATE = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
"""NIST/SEMATECH e-Handbook 6.3.2.2, individuals chart example."""


def ranges(values):
    chart = MovingRange()
    for value in values:
        chart.add(value)
    return chart


def test_moving_range_of_the_handbook_individuals_chart():
    """Mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 (d2 = 1.128)."""
    chart = ranges(FLOWRATE)
    mean = statistics.fmean(FLOWRATE)
    assert mean == pytest.approx(50.81, abs=5e-5)
    assert chart.total / chart.count == pytest.approx(1.8778, abs=5e-5)
    assert mean + 3.0 * chart.sigma == pytest.approx(55.8041, abs=1e-4)
    assert mean - 3.0 * chart.sigma == pytest.approx(45.8159, abs=1e-4)
    assert D2 == 1.128


def test_overall_deviation_of_the_handbook_individuals_chart():
    """Sample deviation 2.0339."""
    m = Moments()
    for value in FLOWRATE:
        m.add(value)
    assert m.sd == pytest.approx(2.0339, abs=5e-5)


def test_the_handbook_chart_as_ten_metres_of_cable():
    """Each value is one metre; the limits are made up so that cp must be the ratio of their width to six deviations within."""
    b = book(lengths=[("10m", 10.0)], limits={"p": (45.8159, 55.8041)})
    out = b.reading(measured(0.0, 0.0), "p")
    for metre, value in enumerate(FLOWRATE, 1):
        for quarter in range(4):
            where = metre - 1 + 0.25 * (quarter + 1)
            out += b.reading(measured(where, where / 3.0, value), "p")
    (rollup,) = [item.data for item in out]
    assert rollup.cp == pytest.approx(1.0, abs=1e-5)  # limits at three deviations
    assert rollup.cpk == pytest.approx(1.0, abs=1e-5)


PISTON_MEAN, PISTON_RANGE, PISTON_LIMITS = 74.00118, 0.02276, (73.95, 74.05)
"""Montgomery, *Introduction to Statistical Quality Control*, piston rings, 25 × 5, the summary (verified through a public file that names
the book): mean, mean range of five, limits. Cp 1.703 and Cpk 1.663 were recomputed from it."""
PISTON_SIGMA = PISTON_RANGE / d2(5)


def by_metre(values, limits):
    """The rollup of so many metres, each of one value."""
    b = book(lengths=[("all", float(len(values)))], limits={"p": limits})
    out = b.reading(measured(0.0, 0.0), "p")
    for metre, value in enumerate(values, 1):
        for quarter in range(4):
            where = metre - 1 + 0.25 * (quarter + 1)
            out += b.reading(measured(where, where / 3.0, value), "p")
    (rollup,) = [item.data for item in out]
    return rollup


def test_piston_rings():
    """σ 0.009785 = R̄/d2 with d2 2.326; Cp 1.703, Cpk 1.663, 0.0005 where 0.005 is asked."""
    assert pytest.approx(0.009785, abs=5e-7) == PISTON_SIGMA
    cp, cpk = indices(PISTON_MEAN, PISTON_SIGMA, Limits(*PISTON_LIMITS))
    assert cp == pytest.approx(1.703, abs=5e-4)
    assert cpk == pytest.approx(1.663, abs=5e-4)


def test_piston_rings_as_metres_of_cable():
    """25 groups cannot be had, but their mean and deviation within can: metres that go up and down by d2(2)·σ have just that mean moving
    range. Then the rollup says cp 1.703 and cpk 1.663, and pp, ppk with the deviation of the values, which is the half step."""
    step = 1.128 * PISTON_SIGMA
    values = [PISTON_MEAN + step / 2, PISTON_MEAN - step / 2] * 50
    rollup = by_metre(values, PISTON_LIMITS)
    assert rollup.mean == pytest.approx(PISTON_MEAN, abs=1e-9)
    assert rollup.cp == pytest.approx(1.703, abs=5e-4)
    assert rollup.cpk == pytest.approx(1.663, abs=5e-4)
    overall = step / 2 * (400 / 399) ** 0.5  # each metre is four readings
    assert rollup.pp == pytest.approx(0.1 / (6 * overall), rel=1e-9)
    assert rollup.ppk == pytest.approx((74.05 - PISTON_MEAN) / (3 * overall), rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_a_general_purpose_library_has_the_same_four_indices(seed):
    """capstat-core (MIT) on individual metres. Our deviation overall is over four alike readings a metre, its over one: n − 1 differs."""
    rng = np.random.default_rng(seed)
    values = list(rng.normal(PISTON_MEAN, PISTON_SIGMA, 60) + np.linspace(0, 2 * PISTON_SIGMA, 60))
    ours = by_metre(values, PISTON_LIMITS)
    other = capability(values, lsl=PISTON_LIMITS[0], usl=PISTON_LIMITS[1])
    bessel = ((4 * 60 - 1) / (4 * 60) * 60 / 59) ** 0.5
    digits = D2 / d2(2)  # 1.128 as tables print it against 1.12838
    assert (ours.mean, ours.cp, ours.cpk) == pytest.approx((other.mean, other.cp * digits, other.cpk * digits), rel=1e-9)
    assert (ours.pp, ours.ppk) == pytest.approx((other.pp * bessel, other.ppk * bessel), rel=1e-9)
    assert ours.pp < ours.cp, "a drift is in the deviation overall and not in the one within"


def test_the_first_piston_rings_by_hand():
    """The fifteen rings of the first three groups, as listed there (verified through the same file), one after the other."""
    rings = [
        74.030, 74.002, 74.019, 73.992, 74.008,
        73.995, 73.992, 74.001, 74.011, 74.004,
        73.988, 74.024, 74.021, 74.005, 74.002,
    ]  # fmt: skip
    other = capability(rings, lsl=PISTON_LIMITS[0], usl=PISTON_LIMITS[1])
    m = Moments()
    for ring in rings:
        m.add(ring)
    limits = Limits(*PISTON_LIMITS)
    assert indices(m.mean, m.sd, limits) == pytest.approx((other.pp, other.ppk), rel=1e-9)
    assert indices(m.mean, ranges(rings).sigma, limits) == pytest.approx((other.cp, other.cpk), rel=1e-3)


def test_handbook_capability_example():
    """NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, deviation 2 give 1.0 and 0.6667."""
    assert indices(16.0, 2.0, Limits(8.0, 20.0)) == pytest.approx((1.0, 2.0 / 3.0))


def test_one_sided_limits_have_no_width():
    """ISO 22514-2: with one limit only the index towards that limit exists."""
    assert indices(16.0, 2.0, Limits(float("-inf"), 20.0)) == (None, pytest.approx(2.0 / 3.0))


def test_what_cannot_be_said_is_not_said():
    assert indices(None, 1.0, Limits(0.0, 1.0)) == (None, None)
    assert indices(0.5, None, Limits(0.0, 1.0)) == (None, None)
    assert indices(0.5, 0.0, Limits(0.0, 1.0)) == (None, None)
    assert indices(0.5, 1.0, None) == (None, None)


def test_a_missing_mean_breaks_the_chain():
    assert ranges([1.0, 2.0, None, 9.0, 10.0]).total == 2.0
    assert ranges([1.0]).sigma is None
