import json
import random

import msgspec
import pytest

from metrepost.readings import BAD, UNCERTAIN
from support_rules import K470, K480, FakeView, check_rule, conditions, feed, refusals, rule_of, stream

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


def of(steps, tag, quality, first, last):
    """The steps with that quality of the tag between two metres; a bad one is passed over, as the engine does."""
    for each in steps:
        if each.m is not None and each.m.tag == tag and first <= each.m.metre < last:
            how = "pass" if quality is BAD else each.how
            yield msgspec.structs.replace(each, how=how, m=msgspec.structs.replace(each.m, quality=quality))
        else:
            yield each


@pytest.mark.parametrize("doubtful", ["cold-gauge.diameter", "hot-gauge.diameter"])
def test_uncertain_readings_teach_nothing(doubtful):
    """40 m of a shrink that is none while one gauge is in doubt, then the true one: what was learned is the true one."""
    cold = [4.90] * 800 + [4.80] * 1000 + [4.83] * 200
    steps = both(cold, [4.90] * 2000)
    found = conditions(feed(rule_of(RULE), of(steps, doubtful, UNCERTAIN, 0.0, 40.0)))
    assert [c.active for c in found] == [True]
    assert found[0].metre == pytest.approx(90, abs=1.1)
    assert found[0].bound == pytest.approx(4.80, abs=0.002)
    good = conditions(feed(rule_of(RULE), steps))
    assert good[0].metre == pytest.approx(40, abs=1.1), "were they good, they would have taught"


def test_a_piece_with_a_bad_reading_teaches_nothing():
    steps = list(both([4.80] * 1000, [4.90] * 1000))
    holed = steps
    for metre in range(50):
        holed = list(of(holed, "hot-gauge.diameter", BAD, metre + 0.5, metre + 0.6))
    whole, taught = rule_of(RULE), rule_of(RULE)
    feed(whole, holed)
    feed(taught, steps)
    assert whole.snapshot()["learned"][:2] == [None, []]
    assert taught.snapshot()["learned"][0] == pytest.approx(4.80 / 4.90, abs=0.001)


def two_products(change=60.0):
    view = FakeView()
    view.product_from = [(0.0, K480), (change, K470)]
    return view


def test_another_product_is_learned_anew_and_judged_by_its_own_shrink():
    """Its core shrinks to 4.70 mm from the same 4.90 mm: 0.10 mm off the shrink of the first, which is no disagreement."""
    cold = [4.80] * 1200 + [4.70] * 800 + [4.74] * 200 + [4.70] * 200
    steps = both(cold, [4.90] * 2400)
    found = conditions(feed(rule_of(RULE), steps, two_products()))
    assert [c.active for c in found] == [True, False]
    assert found[0].metre == pytest.approx(100, abs=1.1)
    assert found[0].bound == pytest.approx(4.70, abs=0.002)
    one = conditions(feed(rule_of(RULE), steps))
    assert one[0].metre == pytest.approx(60, abs=1.1), "by the first one's shrink it alarms"


def test_a_given_ratio_stays_for_every_product():
    found = conditions(
        feed(rule_of(RULE | {"ratio": 4.80 / 4.90}), both([4.80] * 1200 + [4.70] * 200, [4.90] * 1400), two_products())
    )
    assert [c.active for c in found] == [True]


def test_what_is_active_ends_with_its_product():
    found = conditions(feed(rule_of(RULE), both([4.80] * 1000 + [4.84] * 500, [4.90] * 1500), two_products()))
    assert [c.active for c in found] == [True, False]
    assert found[1].explanation == "no longer judged: K75-470 follows K75-480, its shrink is learned anew"


def test_a_snapshot_without_product_keeps_its_ratio():
    rule, later = rule_of(RULE), rule_of(RULE)
    feed(rule, both([4.80] * 1000, [4.90] * 1000))
    state = json.loads(json.dumps(rule.snapshot()))
    state["learned"] = state["learned"][:2]
    state["pieces"] = {tag: [row[:3] for row in rows] for tag, rows in state["pieces"].items()}
    later.restore(state)
    assert later.snapshot()["learned"] == [state["learned"][0], [], None]


def test_the_battery():
    cold = [4.80] * 700 + [4.84] * 200 + [4.80] * 200
    check_rule(lambda: rule_of(RULE), both(cold, [4.90] * 1100))


def test_the_battery_over_a_change_of_product():
    cold = [4.80] * 600 + [4.70] * 500 + [4.74] * 100 + [4.70] * 100
    check_rule(lambda: rule_of(RULE), both(cold, [4.90] * 1300), view=lambda: two_products(30.0))


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


def test_hold_off_begins_pieces_and_delays_anew_and_keeps_what_was_learned():
    cold, hot = [4.80] * 1000 + [4.83] * 45, [4.90] * 1300
    rule = rule_of(RULE)
    steps = both(cold, hot)
    assert conditions(feed(rule, steps)) == []  # a first piece is apart, and its delay runs
    assert rule.snapshot()["run"][0] > 0
    learned = rule.snapshot()["learned"]
    for step in steps[-4:]:
        rule.hold(step.m, FakeView())
    assert rule.snapshot()["run"] == [0, None, False]
    assert all(not pieces for pieces in rule.snapshot()["pieces"].values())
    assert rule.snapshot()["learned"] == learned


def test_a_ratio_that_the_file_gives_stands_over_the_one_of_the_snapshot():
    old = rule_of(RULE | {"ratio": 0.9})
    state = json.loads(json.dumps(old.snapshot()))
    new = rule_of(RULE | {"ratio": 1.0})
    new.restore(state)
    assert [c.active for c in conditions(feed(new, both([4.9] * 300, [4.9] * 300)))] == []
