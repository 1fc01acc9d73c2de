import msgspec
import pytest
from pydantic import ValidationError

from support_rules import FakeView, check_rule, conditions, feed, refusals, rule_of, settings_of, shape, silence, stream

VOLTAGE = {"kind": "bit", "class": "equipment", "reads": "spark-tester.voltage_on", "alarm_when": False, "priority": "high"}
WORD = {"kind": "bit", "class": "equipment", "reads": "plc.word", "bit": 3}


def test_a_tag_that_is_clear_when_it_should_be_set():
    up, down = conditions(feed(rule_of(VOLTAGE), stream("spark-tester.voltage_on", [1.0, 0.0, 0.0, 1.0], step=1.0)))
    assert (up.limit, up.active, up.metre) == ("set", True, 2.0)
    assert up.explanation == "spark-tester.voltage_on is clear since metre 2.0"
    assert (down.active, down.metre) == (False, 4.0)


@pytest.mark.parametrize(
    ("word", "alarm"), [(0, False), (8, True), (7, False), (0xFFF7, False), (0xFFFF, True), (2**31, False)]
)
def test_one_bit_of_a_word(word, alarm):
    assert (shape(feed(rule_of(WORD), stream("plc.word", [float(word)]))) == [("set", True)]) is alarm


@pytest.mark.parametrize("nonsense", [8.5, -8.0, 1e20])
def test_what_has_no_bits_holds_the_state(nonsense):
    assert shape(feed(rule_of(WORD), stream("plc.word", [8.0, nonsense, 0.0]))) == [("set", True), ("set", False)]
    assert shape(feed(rule_of(WORD), stream("plc.word", [8.0, nonsense]))) == [("set", True)]


def test_what_has_no_bits_does_not_stand_either():
    """It came while `when` did not hold; when that holds again there is still nothing to judge."""
    rule, view = rule_of(WORD | {"when_now": "producing"}), FakeView()
    (reading,) = stream("plc.word", [-1.0])
    view.state = "stopped"
    feed(rule, [msgspec.structs.replace(reading, how="pass")], view)
    view.state = "producing"
    assert feed(rule, silence(1.0, [reading]), view) == []


def test_delays_go_on_while_a_bit_sent_on_change_stands():
    rule = rule_of(WORD | {"on_delay": "5 s", "off_delay": "2 s"})
    on = stream("plc.word", [8.0], every=0.1)
    off = stream("plc.word", [0.0], every=0.1, start=10.0)
    assert shape(feed(rule, on + silence(4.0, on))) == []
    assert shape(feed(rule, silence(2.0, silence(4.0, on)))) == [("set", True)]
    assert shape(feed(rule, off)) == []
    assert shape(feed(rule, silence(3.0, off))) == [("set", False)]


def test_a_standing_bit_is_asked_for_its_when():
    rule, view = rule_of(VOLTAGE | {"when_now": "producing"}), FakeView()
    off = stream("spark-tester.voltage_on", [0.0])
    assert shape(feed(rule, off, view)) == [("set", True)]
    view.state = "stopped"
    assert shape(feed(rule, silence(1.0, off), view)) == [("set", False)]


def test_contract_battery():
    values = [1.0] * 20 + [0.0] * 60 + [None] * 3 + [0.0] * 10 + [1.0] * 60
    check_rule(
        lambda: rule_of(VOLTAGE | {"on_delay": "500 ms", "off_delay": "1 m"}),
        stream("spark-tester.voltage_on", values, ticks=True),
    )
    check_rule(lambda: rule_of(WORD), stream("plc.word", [0.0, 8.0, 9.0, None, 7.0, 15.0, 0.0] * 5))


def test_what_does_not_fit_is_refused():
    assert set(refusals(VOLTAGE | {"on_delay": "2 m", "off_delay": "2 m"}, has_axis=False)) == {"on_delay", "off_delay"}
    with pytest.raises(ValidationError, match="less than or equal to 52"):
        settings_of(WORD | {"bit": 53})


def test_after_a_downtime_a_reading_must_confirm_what_stood():
    first, second = rule_of(WORD | {"on_delay": "5 s"}), rule_of(WORD | {"on_delay": "5 s"})
    on = stream("plc.word", [8.0], every=0.1)
    feed(first, on + silence(2.0, on))
    second.restore(first.snapshot())
    later = [msgspec.structs.replace(each, now=each.now + 3600.0) for each in silence(20.0, on)]
    assert feed(second, later) == []
    confirmed = stream("plc.word", [8.0], every=0.1, start=3700.0)
    assert shape(feed(second, confirmed)) == [("set", True)]
