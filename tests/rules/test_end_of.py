import json

import pytest

from metrepost.events import CutEvent
from support_rules import FakeView, Step, check_rule, conditions, feed, refusals, rule_of, stream

PAY_OFF = {"kind": "end_of", "class": "equipment", "reads": "pay-off.left", "metres": "200 m", "minutes": "5 min"}
REEL = {"kind": "end_of", "class": "equipment", "length_of": "reel", "full": "1000 m", "metres": "100 m", "station": "plc"}


def test_the_pay_off_runs_out():
    found = conditions(feed(rule_of(PAY_OFF), stream("pay-off.left", [1000, 500, 390, 300, 50, 5000])))
    assert [c.active for c in found] == [True, False]
    assert found[0].explanation == "pay-off.left is at its end in 390 m, 4.9 min at 80 m/min"
    assert found[0].value == 390


def test_a_standing_line_has_no_minutes():
    view = FakeView()
    view.speed = 0.0
    found = conditions(feed(rule_of(PAY_OFF), stream("pay-off.left", [390, 190]), view))
    assert [c.explanation for c in found] == ["pay-off.left is at its end in 190 m"]


def test_the_reel_is_nearly_full_and_a_cut_begins_the_next():
    cut = CutEvent(metre=100.0, reel="7", decided="")
    again = CutEvent(metre=1080.0, reel="8", decided="")
    steps = [
        Step("tick", 1.0, 50.0),
        Step("hear", 2.0, 100.0, event=cut),
        Step("tick", 3.0, 900.0),
        Step("tick", 4.0, 1010.0),
        Step("hear", 5.0, 1080.0, event=again),
        Step("tick", 6.0, 1090.0),
    ]
    found = conditions(feed(rule_of(REEL), steps))
    assert [(c.active, c.explanation) for c in found] == [
        (True, "the reel is full in 90 m, 1.1 min at 80 m/min"),
        (False, "a new reel began"),
    ]


def paced(rule, rows, tag="pay-off.left"):
    """What is found when the line runs at the given speeds (m/min) with so much left."""
    view, found = FakeView(), []
    for i, (speed, left) in enumerate(rows):
        view.speed = speed / 60
        found += feed(rule, stream(tag, [left], start=i), view)
    return conditions(found)


ONLY_MINUTES = {k: v for k, v in PAY_OFF.items() if k != "metres"}


@pytest.mark.parametrize("table", [PAY_OFF, ONLY_MINUTES], ids=["both", "minutes"])
def test_a_stop_and_a_start_within_a_coil_change_nothing(table):
    """5 min at 80 m/min are 400 m: what slows the line down leaves as much on the coil."""
    rows = [(80, 450), (80, 390), (40, 380), (5, 379), (0, 379), (0, 379), (5, 378), (40, 370), (80, 350), (100, 340)]
    assert [(c.active, c.value) for c in paced(rule_of(table), rows)] == [(True, 390)]


def test_it_ends_ten_percent_above_the_limit_that_was_met():
    assert [c.active for c in paced(rule_of(ONLY_MINUTES), [(80, 390), (80, 439), (0, 439), (80, 399)])] == [True]
    found = paced(rule_of(ONLY_MINUTES), [(80, 390), (0, 441), (80, 430)])
    assert [(c.active, c.explanation) for c in found[1:]] == [(False, "441 m are left")]
    faster = paced(rule_of(ONLY_MINUTES), [(80, 390), (100, 520), (100, 551)])
    assert [c.active for c in faster] == [True, False], "500 m at the higher speed is the limit then"
    assert [c.active for c in paced(rule_of(ONLY_MINUTES), [(80, 390), (100, 520)])] == [True]


def test_the_limit_that_was_met_outlives_a_restart():
    rule, again = rule_of(ONLY_MINUTES), rule_of(ONLY_MINUTES)
    assert len(paced(rule, [(80, 390)])) == 1
    again.restore(json.loads(json.dumps(rule.snapshot())))
    assert paced(again, [(0, 380), (40, 370)]) == []


def test_the_first_reel_is_counted_from_where_counting_began():
    steps = [Step("tick", 1.0, 0.0), Step("tick", 2.0, 4000.0), Step("tick", 3.0, 4890.0), Step("tick", 4.0, 4910.0)]
    found = conditions(feed(rule_of(REEL), steps))
    assert [c.active for c in found] == [True]
    assert found[0].explanation == (
        "the reel is full in 90 m, 1.1 min at 80 m/min; no cut was seen yet, so its length is assumed: "
        "0 m on the reel at metre 4000, when counting began"
    )
    more = conditions(feed(rule_of(REEL | {"wound_before": "500 m"}), [*steps[:2], Step("tick", 3.0, 4410.0)]))
    assert [c.value for c in more] == [90]
    assert "500 m on the reel at metre 4000" in more[0].explanation


def test_a_restart_forgets_neither_the_reel_nor_the_alarm():
    """A line whose counter was not read yet says metre 0, which must not end the alarm of a reel that began at 4000."""
    for told in ([], [Step("hear", 1.5, 3990.0, event=CutEvent(metre=4000.0, reel="7", decided=""))]):
        rule, again = rule_of(REEL), rule_of(REEL)
        found = feed(rule, [*told, Step("tick", 2.0, 4000.0), Step("tick", 3.0, 4700.0)])
        again.restore(json.loads(json.dumps(rule.snapshot())))
        found += feed(again, [Step("tick", 4.0, 4710.0), Step("tick", 5.0, 4910.0)])
        assert [(c.active, c.value) for c in conditions(found)] == [(True, 90)]
        assert ("assumed" in conditions(found)[0].explanation) is not bool(told)
        third = rule_of(REEL)
        third.restore(json.loads(json.dumps(again.snapshot())))
        assert feed(third, [Step("tick", 6.0, 0.0), Step("tick", 7.0, 4920.0)]) == []


def test_the_battery_of_a_reel():
    cut = CutEvent(metre=1080.0, reel="8", decided="")
    again = CutEvent(metre=2070.0, reel="9", decided="")
    ticks = [Step("tick", 1.0 + i, 10.0 + 10.0 * i) for i in range(215)]
    steps = [*ticks[:107], Step("hear", 108.0, 1080.0, event=cut), *ticks[107:206]]
    steps += [Step("hear", 207.0, 2070.0, event=again), *ticks[206:]]
    check_rule(lambda: rule_of(REEL | {"minutes": "2 min"}), steps, event_driven=True)


def test_the_battery():
    check_rule(lambda: rule_of(PAY_OFF), stream("pay-off.left", [1000, 500, 390, 300, 50, 5000, 4000, 100, 900]))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"length_of": "reel"}, "reads"),
        ({"reads": "trough.water"}, "reads"),
        ({"metres": None, "minutes": None}, "metres"),
        ({"full": "6000 m"}, "full"),
        ({"station": "plc"}, "station"),
        ({"wound_before": "10 m"}, "wound_before"),
        (REEL | {"reads": None, "wound_before": "1001 m"}, "wound_before"),
        (REEL | {"reads": None, "metres": "1000 m"}, "metres"),
        ({"reads": None, "length_of": "reel"}, "full"),
        ({"reads": None, "length_of": "reel", "full": "10 m", "station": "nowhere"}, "station"),
    ],
)
def test_refusals(changes, key):
    assert key in refusals({k: v for k, v in (PAY_OFF | changes).items() if v is not None})


def test_when_and_when_now_are_asked_though_a_reel_has_no_readings():
    steps = [Step("hear", 1.0, 100.0, event=CutEvent(metre=100.0, reel="7", decided="")), Step("tick", 2.0, 1010.0)]
    for key in ("when", "when_now"):
        rule, view = rule_of(REEL | {key: "producing"}), FakeView()
        view.state = "ramping"
        assert conditions(feed(rule, steps, view)) == []
        view.state = "producing"
        assert [c.active for c in conditions(feed(rule, [Step("tick", 3.0, 1011.0)], view))] == [True]
        view.state = "ramping"
        (ended,) = conditions(feed(rule, [Step("tick", 4.0, 1012.0)], view))
        assert (ended.active, ended.explanation) == (False, "no longer judged: `when` does not hold")
