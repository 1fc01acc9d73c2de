import math

from support_rules import T0, FakeView, Step, check_rule, conditions, feed, measured, refusals, rule_of, shape, silence, stream

MISSING = {"kind": "missing", "class": "system", "reads": ["cold-gauge.x", "cold-gauge.y"], "for": "2 s"}


def both(seconds):
    """Both axes every 0.1 s, with the ticks between."""
    x, y = (stream(f"cold-gauge.{axis}", [4.8] * round(seconds * 10), every=0.1, step=0.1, ticks=axis == "y") for axis in "xy")
    return sorted(x + y, key=lambda each: each.now)


def test_silence_raises_and_a_reading_ends_it():
    rule = rule_of(MISSING)
    heard = both(1.0)
    assert shape(feed(rule, heard + silence(1.9, heard))) == []
    (up,) = conditions(feed(rule, silence(0.2, silence(1.9, heard))))
    assert (up.limit, up.active, up.onset_time) == ("missing", True, T0 + 1.0)
    assert up.explanation == "no good reading of cold-gauge.x and cold-gauge.y for 2 s"
    again = [each for each in both(4.0) if each.now > T0 + 3.5]
    assert shape(feed(rule, again)) == [("missing", False)]


def test_one_silent_axis_is_enough():
    rule = rule_of(MISSING)
    only_x = stream("cold-gauge.x", [4.8] * 30, every=0.1, step=0.1, ticks=True)
    (up,) = conditions(feed(rule, only_x))
    assert up.explanation == "no good reading of cold-gauge.y for 2 s"


def test_bad_readings_are_silence_with_a_reason():
    rule = rule_of(MISSING | {"reads": "cold-gauge.x"})
    (up,) = conditions(feed(rule, stream("cold-gauge.x", [4.8] + [None] * 25, every=0.1, ticks=True)))
    assert up.explanation == "no good reading of cold-gauge.x for 2 s (timeout)"
    assert up.onset_time == T0 + 0.1


def test_a_good_reading_that_is_no_number_was_not_heard():
    rule = rule_of(MISSING | {"reads": "cold-gauge.x"})
    (up,) = conditions(feed(rule, stream("cold-gauge.x", [math.nan] * 25, every=0.1, ticks=True)))
    assert "no number" in up.explanation


def test_counting_begins_with_the_daemon():
    assert shape(feed(rule_of(MISSING), silence(1.9, []))) == []
    (up,) = conditions(feed(rule_of(MISSING), silence(2.3, [])))
    assert up.onset_time == T0 + 0.1


def test_a_good_reading_outside_when_was_heard_all_the_same():
    rule = rule_of(MISSING | {"reads": "cold-gauge.x"})
    steps = []
    for i in range(60):
        now = T0 + 0.1 * i
        steps += [Step("pass", now, 0.0, measured("cold-gauge.x", 4.8, now, 0.0)), Step("tick", now, 0.0)]
    assert feed(rule, steps) == []


def test_silence_outside_when_does_not_count():
    rule, view = rule_of(MISSING | {"when": "producing"}), FakeView()
    heard = both(1.0)
    view.state = "stopped"
    quiet = silence(60.0, heard)
    assert feed(rule, heard + quiet, view) == []
    view.state = "producing"
    assert shape(feed(rule, silence(1.9, quiet), view)) == []
    assert shape(feed(rule, silence(2.2, quiet), view)) == [("missing", True)]


def test_by_length_silence_stands_still_with_the_line():
    rule = rule_of(MISSING | {"for": "5 m"})
    heard = both(1.0)
    assert shape(feed(rule, heard + silence(60.0, heard, speed=0.0))) == []
    assert shape(feed(rule, silence(6.0, silence(60.0, heard, speed=0.0), speed=1.0))) == [("missing", True)]


def test_downtime_of_the_daemon_is_no_silence_of_the_gauge():
    first, second = rule_of(MISSING), rule_of(MISSING)
    heard = both(1.0)
    feed(first, heard)
    second.restore(first.snapshot())
    later = [Step("tick", T0 + 3600 + 0.1 * i, 500.0) for i in range(15)]
    assert feed(second, later) == []
    assert shape(feed(second, [Step("tick", T0 + 3603, 500.0)])) == [("missing", True)]


def test_contract_battery():
    steps = both(1.0)
    steps += silence(3.0, steps)
    steps += [each for each in both(6.0) if each.now > T0 + 4.05]
    check_rule(lambda: rule_of(MISSING), steps)


def test_what_does_not_fit_is_refused_in_a_sentence():
    assert refusals(MISSING | {"for": "30 ms"})["for"] == (
        "0.03 s is less than two intervals of cold-gauge.x (0.02 s): every late answer would alarm"
    )
    assert "must be more than 0" in refusals(MISSING | {"for": "0 s"})["for"]
    assert "no [length] table" in refusals(MISSING | {"for": "5 m"}, has_axis=False)["for"]
