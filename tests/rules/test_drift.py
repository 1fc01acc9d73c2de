"""`drift`: learns, notices a mean that leaves, foretells where the band breaks; correlated neighbours do not fool it."""

import random

import pytest

from metrepost.rules.forecast import forecast
from support_rules import FakeView, check_rule, conditions, feed, refusals, rule_of, stream

TEXT = {"priority": "low", "cause": "c", "consequence": "q", "response": "r"}
DRIFT = {
    "kind": "drift",
    "class": "process",
    "reads": "cold-gauge.diameter",
    "subgroup": "1 m",
    "learn": "20 m",
    "limits": "product.dielectric",
    "up": TEXT,
    "down": TEXT,
}
PER_METRE = 40  # readings of 25 mm


def trace(metres, drift=0.0, begin=60.0, noise=0.003, seed=2, correlation=0.0):
    rng, level, out = random.Random(seed), 0.0, []
    for i in range(metres * PER_METRE):
        at = i / PER_METRE
        if i % PER_METRE == 0:
            level = correlation * level + rng.gauss(0, 0.002)
        out.append(4.80 + level + max(0.0, at - begin) * drift + rng.gauss(0, noise))
    return out


def run(values, **changes):
    return conditions(feed(rule_of(DRIFT | changes), stream("cold-gauge.diameter", values)))


@pytest.mark.parametrize("method", ["ewma", "cusum", "runs"])
@pytest.mark.parametrize(("slope", "limit"), [(0.0006, "up"), (-0.0006, "down")])
def test_a_slow_drift_is_noticed_before_the_band_breaks(method, slope, limit):
    up, *_ = run(trace(130, slope), method=method)
    assert up.limit == limit
    broken_at = 60 + 0.05 / 0.0006
    assert 60 < up.end < broken_at - 20


def test_it_says_where_the_band_will_be_broken():
    (up, *_) = run(trace(140, 0.0006), method="cusum", cusum_h=40.0)
    assert "it reaches 4.850 mm in about" in up.explanation
    told = float(up.explanation.rsplit("at metre ", 1)[1])
    assert told == pytest.approx(60 + 0.05 / 0.0006, abs=25)


def test_a_steady_mean_is_silent():
    assert run(trace(600), method=["ewma", "cusum"]) == []


def test_nothing_is_judged_before_it_has_learned():
    assert run(trace(19, 0.005, begin=0.0)) == []


def test_correlated_neighbours_widen_the_limits():
    """The same chart without the guard would signal on most of these; it is the learned correlation that keeps it quiet."""
    quiet = [run(trace(400, seed=seed, correlation=0.8), learn="80 m", ewma_limit=3.0) for seed in range(6)]
    rule = rule_of(DRIFT | {"learn": "80 m", "ewma_limit": 3.0})
    feed(rule, stream("cold-gauge.diameter", trace(100, correlation=0.8)))
    assert rule.snapshot()["learned"][2] > 0.4
    assert sum(bool(q) for q in quiet) <= 2


def test_another_product_is_learned_anew():
    rule, view = rule_of(DRIFT | {"mean": "product.dielectric"}), FakeView()
    feed(rule, stream("cold-gauge.diameter", trace(30)), view)
    assert rule.snapshot()["learned"][0] == pytest.approx(4.80)


def test_a_change_smaller_than_what_matters_is_not_told():
    assert run(trace(130, 0.0006), least="1 mm") == []


def test_the_battery():
    values = trace(60, 0.002, begin=40.0) + trace(40)
    check_rule(lambda: rule_of(DRIFT), stream("cold-gauge.diameter", values))


def test_the_forecast_is_the_line_through_the_means():
    metres = [float(i) for i in range(10)]
    said = forecast(metres, [4.80 + 0.001 * x + (1e-5 if i % 2 else -1e-5) for i, x in enumerate(metres)], 4.75, 4.85)
    assert said.metres == pytest.approx(41, abs=1)
    assert said.soonest < said.metres < said.latest
    assert forecast(metres, [4.80 + (0.001 if i % 2 else -0.001) for i in range(10)], 4.75, 4.85) is None
    assert forecast(metres[:5], [4.8] * 5, 4.75, 4.85) is None


def test_the_forecast_is_in_the_data_of_the_alarm():
    (up, *_) = run(trace(140, 0.0006), method="cusum", cusum_h=40.0)
    said = up.data["reaches"]
    assert said["bound"] == pytest.approx(4.85)
    assert said["metre"] == pytest.approx(up.end + said["ahead"])
    assert said["soonest"] < said["ahead"] < said["latest"]
    assert said["seconds"] == pytest.approx(said["ahead"] / FakeView().speed)
    assert f"in about {said['ahead']:.0f} m" in up.explanation


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.8])
@pytest.mark.parametrize(("n", "begins"), [(10, 0), (20, 0), (20, 10)])
def test_the_95_percent_range_holds_the_true_metre_that_often(correlation, n, begins):
    """AR(1) neighbours, a drift older than the means or begun amid them: 500 forecasts, 95 % known to ± 1 % (one standard error)."""
    rng, slope, metres = random.Random(4), 0.0002, [10.0 * i for i in range(n)]
    broken_at = 10.0 * begins + 0.05 / slope
    held = told = 0
    for _ in range(500):
        rest, means = rng.gauss(0, 0.002), []
        for x in metres:
            means.append(4.80 + slope * max(0.0, x - 10.0 * begins) + rest)
            rest = correlation * rest + (1 - correlation**2) ** 0.5 * rng.gauss(0, 0.002)
        said = forecast(metres, means, 4.75, 4.85, correlation)
        if said is not None:
            told += 1
            held += said.soonest <= broken_at - metres[-1] <= said.latest
    assert told > 350
    assert held / told > 0.92


@pytest.mark.parametrize("slope", [0.0006, 0.0012])
def test_a_drift_that_has_just_begun_is_not_foretold_too_late(slope):
    """At the first alarm most of the means are from before the drift: one line through them all puts the bound well behind the truth."""
    late = told = 0
    for seed in range(20):
        (up, *_) = run(trace(60 + round(0.05 / slope), slope, seed=seed, noise=0.0), learn="30 m")
        if "reaches" in up.data:
            told += 1
            late += up.data["reaches"]["soonest"] > 60 + 0.05 / slope - up.end
    assert told >= 15
    assert late <= 2


def test_a_slope_that_may_be_level_foretells_nothing():
    metres = [float(i) for i in range(20)]
    means = [4.80 + 0.0002 * (-1) ** i + (0.001 if i > 15 else 0.0) for i in range(20)]
    assert forecast(metres, means, 4.75, 4.85) is not None
    assert forecast(metres, means, 4.75, 4.85, 0.8) is None


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"learn": "5 m"}, "learn", "too few"),
        ({"sigma": "0 mm"}, "sigma", "not above 0"),
        ({"mean": "product.nonsense"}, "mean", "has no"),
        ({"mean": "4.8 bar"}, "mean", "wrong dimension"),
        ({"limits": "product.impedance"}, "limits", ""),
        ({"up": None, "down": None}, "", "needs [up], [down]"),
    ],
)
def test_refusals(changes, key, words):
    table = {k: v for k, v in (DRIFT | changes).items() if v is not None}
    found = refusals(table)
    assert words in found[key]
