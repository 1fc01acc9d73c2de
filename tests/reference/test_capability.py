"""Capability indices and moving ranges against published examples."""

import statistics

import pytest

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


def test_piston_rings():
    """Montgomery, Introduction to Statistical Quality Control, piston rings 25 x 5: sigma 0.02276 / 2.326, Cp 1.703, Cpk 1.663."""
    cp, cpk = indices(74.00118, 0.02276 / 2.326, Limits(73.95, 74.05))
    assert cp == pytest.approx(1.703, abs=0.005)
    assert cpk == pytest.approx(1.663, abs=0.005)


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
