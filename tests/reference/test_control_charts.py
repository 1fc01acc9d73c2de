"""Control charts against published run lengths and worked examples.

Sources: Lucas and Saccucci, Technometrics 32 (1990) 1–12; NIST/SEMATECH e-Handbook 6.3.2.2 to 6.3.2.4; Champ and Woodall, Technometrics 29
(1987) 393; printed values from memory, recomputed by integral equations to the last digit unless noted.
"""

from itertools import pairwise
from math import sqrt

import numpy as np
import pytest
from capstat_core.control_charts import i_mr_chart
from capstat_core.rules import western_electric_rules
from capstat_core.time_weighted import cusum_chart, ewma_chart
from statsmodels.datasets import nile

from metrepost.rules.charts import ZONES, Cusum, Ewma, RunRules

RUNS = 3000


def run_lengths(make, shift, seed, runs=RUNS, longest=20_000):
    """Run lengths of the real chart objects on normal values."""
    rng = np.random.default_rng(seed)
    lengths = []
    for _ in range(runs):
        chart, n = make(), 0
        while n < longest:
            for z in rng.normal(shift, 1.0, 64):
                n += 1
                if chart.update(z) is not None:
                    break
            else:
                continue
            break
        lengths.append(n)
    return np.array(lengths)


def check(lengths, printed):
    """Within four standard errors of the simulation, and one per cent of the print's rounding."""
    error = lengths.std(ddof=1) / sqrt(len(lengths))
    assert abs(lengths.mean() - printed) < 4 * error + 0.01 * printed


@pytest.mark.parametrize(
    ("shift", "printed", "runs"), [(0.0, 500, 600), (0.5, 41.8, RUNS), (1.0, 10.5, RUNS), (2.0, 3.74, RUNS)]
)
def test_ewma_run_lengths(shift, printed, runs):
    """λ 0.2, L 2.962."""
    check(run_lengths(lambda: Ewma(0.2, 2.962), shift, 1, runs), printed)


@pytest.mark.parametrize(
    ("h", "shift", "printed", "runs"), [(4, 0.0, 168, 900), (4, 1.0, 8.38, RUNS), (5, 0.0, 465, 500), (5, 1.0, 10.4, RUNS)]
)
def test_cusum_run_lengths(h, shift, printed, runs):
    """k 0.5."""
    check(run_lengths(lambda: Cusum(0.5, h), shift, 2, runs), printed)


def test_western_electric_run_length():
    """Rules 1 to 4 together: 91.75 in control."""
    check(run_lengths(lambda: RunRules((1, 2, 3, 4)), 0.0, 3, 1500), 91.75)


def test_a_new_series_signals_no_run_before_its_eighth_point():
    chart = RunRules((4,))
    assert [chart.update(0.5) for _ in range(8)] == [None] * 7 + ["up"]


def test_the_nist_ewma_example_number_by_number():
    """e-Handbook 6.3.2.4: EWMA0 50, s 2.0539, λ 0.3, k 3; limits 52.5884 and 47.4115 (data from memory, all 20 recomputed)."""
    data = [
        52.0,
        47.0,
        53.0,
        49.3,
        50.1,
        47.0,
        51.0,
        50.1,
        51.2,
        50.5,
        49.6,
        47.6,
        49.9,
        51.3,
        47.8,
        51.2,
        52.6,
        52.4,
        53.6,
        52.1,
    ]
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    chart = Ewma(0.3, 3.0)
    assert 50 + 2.0539 * chart.bound == pytest.approx(52.5884, abs=1e-4)
    assert 50 - 2.0539 * chart.bound == pytest.approx(47.4115, abs=1e-4)
    for x, expected in zip(data, printed, strict=True):
        assert chart.update((x - 50) / 2.0539) is None
        assert 50 + 2.0539 * chart.level == pytest.approx(expected, abs=0.005)


def test_the_nist_cusum_example_number_by_number():
    """e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959; first signal at point 14 (data from memory, sums recomputed)."""
    data = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    chart = Cusum(0.3175, 4.1959)
    sides = [chart.update(x - 325) for x in data]
    assert sides.index("up") + 1 == 14
    assert sides[:13] == [None] * 13
    # after a signal the rule's chart holds its sum at twice the decision; the printed sums run on
    running, sums = Cusum(0.3175, 100.0), []
    for x in data:
        running.update(x - 325)
        sums.append(running.high)
    assert sums[12:] == pytest.approx([3.0075, 4.9400, 7.4475, 10.630, 11.9875, 14.445, 16.0025, 19.035], abs=1e-9)


def test_the_nist_individuals_example_number_by_number():
    """e-Handbook 6.3.2.2, flow rate: mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 (d2 = 1.128); rule 1 is silent.

    Figures verified through a public validation file that quotes 6.3.2.2.
    """
    data = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    mean = sum(data) / len(data)
    moving_range = sum(abs(b - a) for a, b in pairwise(data)) / (len(data) - 1)
    sigma = moving_range / 1.128
    assert mean == pytest.approx(50.81, abs=1e-9)
    assert moving_range == pytest.approx(1.8778, abs=5e-5)
    (rule_1,) = RunRules((1,))._zones
    assert mean + rule_1[2] * sigma == pytest.approx(55.8041, abs=1e-4)
    assert mean - rule_1[2] * sigma == pytest.approx(45.8159, abs=1e-4)
    chart = RunRules((1,))
    assert [chart.update((x - mean) / sigma) for x in data] == [None] * 10
    assert chart.update((55.81 - mean) / sigma) == "up"
    assert chart.update((45.81 - mean) / sigma) == "down"


@pytest.mark.parametrize("seed", range(8))
def test_a_general_purpose_library_agrees_point_by_point(seed):
    """capstat-core (MIT): EWMA levels, both cumulative sums, and the points at which each Western Electric rule signals."""
    z = np.random.default_rng(seed).normal(0.5, 1.0, 400)
    ewma = Ewma(0.2, 2.962)
    sides = [ewma.update(x) for x in z]
    other = ewma_chart(z, target=0.0, sigma=1.0, lmbda=0.2, L=2.962, time_varying_limits=False)
    assert other.steady_state_limits[1] == pytest.approx(ewma.bound, rel=1e-12)
    assert [i for i, side in enumerate(sides) if side] == list(other.violations)
    assert ewma.level == pytest.approx(other.points[-1], rel=1e-9)

    sums, running = cusum_chart(z, target=0.0, sigma=1.0, k=0.5, h=5.0), Cusum(0.5, 1e9)
    for x, high, low in zip(z, sums.upper, sums.lower, strict=True):
        running.update(x)
        assert (running.high, running.low) == pytest.approx((high, low), abs=1e-9)
    assert sums.violations, "a series without a signal compares nothing"
    decided = Cusum(0.5, 5.0)
    first = next(i for i, x in enumerate(z) if decided.update(x) is not None)
    assert first == sums.violations[0]

    individuals = i_mr_chart(z, center=0.0, sigma=1.0).location
    for rule in (1, 2, 3, 4):
        ours = RunRules((rule,))
        told = [i for i, x in enumerate(z) if ours.update(x) is not None]
        theirs = sorted({v.point for v in western_electric_rules(individuals, [rule])})
        # the library needs a whole window; a run completed within fewer points at the very start is ours alone
        assert [i for i in told if i >= ZONES[rule][1] - 1] == [i for i in theirs if i >= ZONES[rule][1] - 1], rule


def test_the_nile_has_a_change_after_1898():
    """The flow of the Nile at Aswan, shipped by statsmodels as `nile` (Durbin and Koopman): a fall at 1898/1899, found within 5 years."""
    data = nile.load_pandas().data
    years, volume = data["year"].to_numpy(), data["volume"].to_numpy()
    lesson = volume[years < 1893]
    charts = {"ewma": Ewma(0.2, 2.962), "cusum": Cusum(0.5, 5.0)}
    found = {}
    for year, x in zip(years[years >= 1893], volume[years >= 1893], strict=True):
        for name, chart in charts.items():
            if chart.update((x - lesson.mean()) / lesson.std(ddof=1)) == "down" and name not in found:
                found[name] = year
    assert all(1899 <= year <= 1904 for year in found.values()), found
    assert set(found) == {"ewma", "cusum"}
