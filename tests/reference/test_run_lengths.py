"""Average run lengths to the per cent of the published tables, in two steps: plain charts written here from the definitions, many series at
once, stand for the product's objects because they signal at the same points of the same series; and their run lengths are those of the
tables.

Sources: NIST/SEMATECH e-Handbook 6.3.2.3.1 and 6.3.2.3 (tabular CUSUM); Lucas and Saccucci, Technometrics 32 (1990) 1–12 (EWMA); Champ and
Woodall, Technometrics 29 (1987) 393 (run rules). The prints are from memory, the values were recomputed by integral equations.
"""

from math import sqrt

import numpy as np
import pytest

from metrepost.rules.charts import Cusum, Ewma, RunRules


class Ewmas:
    """Averages z_t = λ·x + (1 − λ)·z from 0, limits ±L·√(λ/(2 − λ))."""

    def __init__(self, runs, weight, limit):
        self.levels, self.weight = np.zeros(runs), weight
        self.limit = limit * sqrt(weight / (2 - weight))

    def signals(self, x):
        self.levels = self.weight * x + (1 - self.weight) * self.levels
        return np.abs(self.levels) > self.limit

    def keep(self, which):
        self.levels = self.levels[which]


class Cusums:
    """C+ = max(0, x − k + C+), C− = max(0, −x − k + C−), a signal above h."""

    def __init__(self, runs, reference, decision):
        self.high, self.low = np.zeros(runs), np.zeros(runs)
        self.reference, self.decision = reference, decision

    def signals(self, x):
        self.high = np.maximum(0, x - self.reference + self.high)
        self.low = np.maximum(0, -x - self.reference + self.low)
        return np.maximum(self.high, self.low) > self.decision

    def keep(self, which):
        self.high, self.low = self.high[which], self.low[which]


class WesternElectric:
    """1 beyond 3, 2 of 3 beyond 2, 4 of 5 beyond 1, 8 in a row, each on one side. What was not yet measured is beyond nothing."""

    def __init__(self, runs):
        self.last = np.zeros((8, runs))

    def signals(self, x):
        self.last = np.vstack([self.last[1:], x])
        out = np.zeros(len(x), bool)
        for side in (1, -1):
            v = side * self.last
            out |= v[-1] > 3
            out |= (v[-3:] > 2).sum(axis=0) >= 2
            out |= (v[-5:] > 1).sum(axis=0) >= 4
            out |= (v > 0).all(axis=0)
        return out

    def keep(self, which):
        self.last = self.last[:, which]


KINDS = {
    "ewma 0.2": (lambda: Ewma(0.2, 2.962), lambda runs: Ewmas(runs, 0.2, 2.962)),
    "ewma 0.1": (lambda: Ewma(0.1, 2.814), lambda runs: Ewmas(runs, 0.1, 2.814)),
    "ewma 0.2 for 370": (lambda: Ewma(0.2, 2.859), lambda runs: Ewmas(runs, 0.2, 2.859)),
    "cusum 4": (lambda: Cusum(0.5, 4.0), lambda runs: Cusums(runs, 0.5, 4.0)),
    "cusum 5": (lambda: Cusum(0.5, 5.0), lambda runs: Cusums(runs, 0.5, 5.0)),
    "western electric": (lambda: RunRules((1, 2, 3, 4)), WesternElectric),
}
# chart, shift in sigma, average run length; 1 %, run rules 2 %
TABLE = [
    ("ewma 0.2", 0.0, 499.74, 0.01),
    ("ewma 0.2", 0.5, 41.76, 0.01),
    ("ewma 0.2", 1.0, 10.54, 0.01),
    ("ewma 0.2", 2.0, 3.74, 0.01),
    ("ewma 0.1", 0.0, 499.58, 0.01),
    ("ewma 0.1", 0.5, 31.30, 0.01),
    ("ewma 0.1", 1.0, 10.33, 0.01),
    ("ewma 0.2 for 370", 0.0, 370.04, 0.01),
    ("cusum 4", 0.0, 168, 0.01),
    ("cusum 4", 0.5, 26.63, 0.01),
    ("cusum 4", 1.0, 8.38, 0.01),
    ("cusum 5", 0.0, 465, 0.01),
    ("cusum 5", 0.5, 38.00, 0.01),
    ("cusum 5", 1.0, 10.38, 0.01),
    ("western electric", 0.0, 91.75, 0.02),
]


def run_lengths(charts, runs, shift, rng):
    """Points up to and with the first signal, of each series."""
    alive, lengths, n = charts, np.zeros(runs, int), 0
    left = np.arange(runs)
    while len(left):
        n += 1
        told = alive.signals(rng.normal(shift, 1.0, len(left)))
        lengths[left[told]] = n
        left = left[~told]
        alive.keep(~told)
    return lengths


@pytest.mark.parametrize("kind", KINDS)
def test_the_product_signals_where_the_definition_does(kind):
    """First signals of 120 series, among them some with a change and some in control."""
    ours, plain = KINDS[kind]
    rng = np.random.default_rng(11)
    x = rng.normal(0, 1, (2500, 120)) + np.repeat([0.0, 0.5, 1.0, 2.0], 30)
    charts = plain(120)
    told = np.array([charts.signals(row) for row in x])
    assert told.any(axis=0).sum() > 110, "series without a signal compare nothing"
    for series in range(120):
        chart = ours()
        found = next((i for i, value in enumerate(x[:, series]) if chart.update(value) is not None), None)
        expected = int(told[:, series].argmax()) if told[:, series].any() else None
        assert found == expected


@pytest.mark.parametrize(("kind", "shift", "printed", "share"), TABLE)
def test_average_run_lengths(kind, shift, printed, share):
    """As many series as make three standard errors fit into the per cent; the seed is fixed."""
    runs = round(0.85 * (3 / share) ** 2)
    lengths = run_lengths(KINDS[kind][1](runs), runs, shift, np.random.default_rng(5))
    assert 3 * lengths.std(ddof=1) / sqrt(runs) < share * printed * 1.1
    assert lengths.mean() == pytest.approx(printed, rel=share)
