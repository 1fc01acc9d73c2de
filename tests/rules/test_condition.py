import pytest

from metrepost.readings import BAD
from support_rules import (
    T0,
    FakeSite,
    FakeView,
    Step,
    check_rule,
    conditions,
    feed,
    measured,
    refusals,
    rule_of,
    settings_of,
    shape,
    stream,
)

SLOW = {
    "kind": "condition",
    "class": "process",
    "reads": ["trough.water"],
    "expression": 'value["trough.water"] > 30.0 && speed > 60.0',
    "on_delay": "1 s",
    "off_delay": "1 s",
}


def condition(expression, **keys):
    return rule_of({"kind": "condition", "class": "process", "expression": expression} | keys)


def test_values_and_speed_together():
    rule, view = rule_of(SLOW), FakeView()
    hot = stream("trough.water", [31.0] * 30, every=0.1)
    (up,) = conditions(feed(rule, hot, view))
    assert (up.limit, up.active, up.onset_time) == ("true", True, hot[0].now)
    assert up.explanation.startswith('value["trough.water"] > 30.0 && speed > 60.0 is true since metre')
    view.speed = 50.0 / 60.0
    assert shape(feed(rule, stream("trough.water", [31.0] * 30, every=0.1, start=3.0), view)) == [("true", False)]


def test_tags_named_in_the_expression_need_not_stand_in_reads():
    settings = settings_of(SLOW | {"reads": [], "expression": 'value["trough.water"] > value["trough.setpoint"] + 2.0'})
    assert settings.tags() == ("trough.water", "trough.setpoint")


def test_state_and_alarms_are_asked_on_every_tick():
    rule, view = condition('producing && !alarm["cold-diameter.blind"]'), FakeView()
    view.state = "stopped"
    assert feed(rule, [Step("tick", T0, 0.0)], view) == []
    view.state = "producing"
    assert shape(feed(rule, [Step("tick", T0 + 0.1, 0.0)], view)) == [("true", True)]
    view.alarms.add("cold-diameter.blind")
    assert shape(feed(rule, [Step("tick", T0 + 0.2, 0.0)], view)) == [("true", False)]


def test_a_bad_value_holds_the_state_and_is_no_fault_of_the_expression():
    rule, view = condition('value["trough.water"] != 25.0'), FakeView()
    assert shape(feed(rule, stream("trough.water", [31.0], every=0.1), view)) == [("true", True)]
    bad = measured("trough.water", 25.0, T0 + 1, 1.0, quality=BAD)
    assert feed(rule, [Step("pass", T0 + 1, 1.0, bad), Step("tick", T0 + 2, 1.0)], view) == []
    assert rule.faults == 0


def test_before_the_first_reading_nothing_is_known():
    rule = condition('value["trough.water"] < 30.0')
    assert feed(rule, [Step("tick", T0, 0.0)]) == []
    assert rule.faults == 0


def test_qualities_can_be_asked():
    rule = condition('quality["trough.water"] == "bad"')
    assert shape(feed(rule, stream("trough.water", [25.0, None, 25.0], every=0.1))) == [("true", True), ("true", False)]


def test_an_expression_that_fails_at_run_time_holds_the_state_and_is_counted():
    rule = condition('quality["trough.water"] == "bad" ? false : 1 / (int(value["trough.water"]) - 77) > 0')
    # the samples of the dry run do not hit 77
    found = feed(rule, stream("trough.water", [78.0, 77.0, 77.0, 76.0], every=0.1))
    assert shape(found) == [("true", True), ("true", False)]
    assert rule.faults == 2
    assert "zero" in rule.fault


def test_when_is_asked_on_ticks_too():
    rule, view = condition('value["trough.water"] > 30.0', when="producing"), FakeView()
    assert shape(feed(rule, stream("trough.water", [31.0], every=0.1), view)) == [("true", True)]
    view.state = "stopped"
    assert shape(feed(rule, [Step("tick", T0 + 1, 1.0)], view)) == [("true", False)]


def test_contract_battery():
    steps = stream("trough.water", [25.0] * 10 + [31.0] * 30 + [None] * 3 + [31.0] * 5 + [25.0] * 30, every=0.1, ticks=True)
    check_rule(lambda: rule_of(SLOW), steps)
    check_rule(lambda: condition('quality["trough.water"] != "good"'), steps, bad_is_an_answer=True)


REFUSED = [
    ("producing &&", "is no CEL expression: Syntax error"),
    ("producing and stopped", "write such as: producing && !threading"),
    ("produce", "'produce' is not known in an expression"),
    ("producing || produce", "'produce' is not known in an expression"),
    ('value["trough.watre"] > 1.0', "there is no tag 'trough.watre'"),
    ("value.water > 1.0", 'write value["station.tag"] with the name in quotes'),
    ('value["trough.water"] * 2 > 60.0', "write 2.0, not 2, in sums"),
    ('producing && value["trough.water"] + 1 > 2.0', "write 2.0, not 2, in sums"),
    ('value["trough.water"] > 1e5 && value["trough.water"] > "x"', "it fails while stopped"),
    ("speed", "it gives 0.0 while stopped; an expression must give true or false"),
    ('stopped ? true : value["trough.water"]', "an expression must give true or false"),
    ('quality["trough.water"]', "an expression must give true or false"),
    ('alarm["wipe"]', "'wipe' names no alarm; an alarm is written rule.limit"),
    ("now() > 1", "Undefined variable or function"),
]


@pytest.mark.parametrize(("expression", "sentence"), REFUSED)
def test_what_does_not_fit_is_refused_in_a_sentence(expression, sentence):
    assert sentence in refusals({"kind": "condition", "class": "process", "expression": expression})["expression"]


def test_an_unknown_tag_offers_the_ones_there_are():
    site = FakeSite()
    settings_of(SLOW | {"expression": 'value["trough.watre"] > 1.0'}).build("rule", site)
    assert "trough.water" in site.failures[0][2]
