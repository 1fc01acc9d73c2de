import random

import pytest

from support_rules import check_rule, conditions, feed, refusals, rule_of, stream

RULE = {
    "kind": "disagree",
    "class": "system",
    "reads": "cold-gauge.diameter",
    "against": "hot-gauge.diameter",
    "over": "1 m",
    "tolerance": "0.01 mm",
    "learn": "20 m",
    "on_delay": "2 m",
    "off_delay": "2 m",
}


def both(cold, hot, step=0.05, seed=1):
    """Readings of both gauges by metre; the hot one is 60 m, here 10 m, ahead."""
    rng = random.Random(seed)
    n = round(len(cold))
    ahead = round(10 / step)
    noisy = [v + rng.gauss(0, 0.001) for v in hot]
    hot_steps = stream("hot-gauge.diameter", noisy, step=step)
    cold_steps = stream("cold-gauge.diameter", [v + rng.gauss(0, 0.001) for v in cold[:n]], step=step)
    out = hot_steps[:ahead]
    for i, each in enumerate(cold_steps):
        if ahead + i < len(hot_steps):
            out.append(hot_steps[ahead + i])
        out.append(each)
    return out


def test_shrink_is_learned_and_what_departs_from_it_is_told():
    cold = [4.80] * 1000 + [4.83] * 200 + [4.80] * 300
    found = conditions(feed(rule_of(RULE), both(cold, [4.90] * 1500)))
    assert [c.active for c in found] == [True, False]
    assert found[0].metre == pytest.approx(50, abs=1.1)
    assert "ratio 0.97" in found[0].explanation
    assert found[0].bound == pytest.approx(4.80, abs=0.002)


def test_what_both_see_is_no_disagreement():
    hot = [4.90 + 0.05 * (i > 700) for i in range(1500)]
    assert conditions(feed(rule_of(RULE), both([v * 4.80 / 4.90 for v in hot], hot))) == []


def test_nothing_is_judged_before_it_has_learned():
    assert conditions(feed(rule_of(RULE | {"learn": "200 m"}), both([4.8] * 500 + [4.9] * 500, [4.9] * 1000))) == []
    given = conditions(feed(rule_of(RULE | {"ratio": 1.0}), both([4.8] * 300, [4.9] * 300)))
    assert [c.active for c in given] == [True]


def test_the_battery():
    cold = [4.80] * 700 + [4.84] * 200 + [4.80] * 200
    check_rule(lambda: rule_of(RULE), both(cold, [4.90] * 1100))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"against": "cold-gauge.diameter"}, "against"),
        ({"against": "trough.water"}, "against"),
        ({"tolerance": "0 mm"}, "tolerance"),
        ({"over": "0 m"}, "over"),
    ],
)
def test_refusals(changes, key):
    assert key in refusals(RULE | changes)
