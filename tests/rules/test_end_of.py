import pytest

from metrepost.events import CutEvent
from support_rules import FakeSite, FakeView, Step, check_rule, conditions, feed, refusals, rule_of, settings_of, stream

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


def test_the_battery():
    check_rule(lambda: rule_of(PAY_OFF), stream("pay-off.left", [1000, 500, 390, 300, 50, 5000, 4000, 100, 900]))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"length_of": "reel"}, "reads"),
        ({"reads": "trough.water"}, "reads"),
        ({"metres": None, "minutes": None}, "metres"),
        ({"reads": None, "length_of": "reel"}, "full"),
        ({"reads": None, "length_of": "reel", "full": "10 m", "station": "nowhere"}, "station"),
    ],
)
def test_refusals(changes, key):
    assert key in refusals({k: v for k, v in (PAY_OFF | changes).items() if v is not None})
    assert FakeSite().tags
    assert settings_of(REEL).limits()
