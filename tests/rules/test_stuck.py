from support_rules import FakeView, Step, check_rule, conditions, feed, refusals, rule_of, shape, silence, stream

STUCK = {"kind": "stuck", "class": "system", "reads": ["cold-gauge.x", "cold-gauge.y"], "for": "10 m"}
NOISE = [4.80, 4.801, 4.799, 4.802]


def test_a_frozen_gauge():
    rule = rule_of(STUCK)
    up, down = conditions(feed(rule, stream("cold-gauge.x", NOISE * 5 + [4.8] * 500 + NOISE)))
    assert (up.limit, up.active) == ("stuck", True)
    assert up.metre == up.start == 0.525
    assert up.end > 10.5
    assert up.explanation == "cold-gauge.x stands at 4.8 mm since metre 0.5"
    assert down.explanation == "cold-gauge.x moves again"


def test_a_live_gauge_has_noise():
    assert feed(rule_of(STUCK), stream("cold-gauge.x", NOISE * 500)) == []


def test_tolerance_is_about_the_value_it_stands_at_so_that_drift_is_no_standstill():
    rule = rule_of(STUCK | {"tolerance": "2 um"})
    assert shape(feed(rule, stream("cold-gauge.x", [4.8, 4.801, 4.799] * 200))) == [("stuck", True)]
    assert (
        shape(feed(rule_of(STUCK | {"tolerance": "2 um"}), stream("cold-gauge.x", [4.8 + 1e-5 * i for i in range(600)]))) == []
    )


def test_a_standing_line_freezes_no_gauge():
    still = stream("cold-gauge.x", [4.8] * 2000, step=0.0)
    assert feed(rule_of(STUCK), still) == []


def test_one_of_two_axes_stuck_is_one_alarm_until_both_move():
    rule = rule_of(STUCK)
    x, y = stream("cold-gauge.x", [4.8] * 500 + NOISE * 200), stream("cold-gauge.y", NOISE * 20 + [4.7] * 900 + NOISE * 30)
    steps = sorted(x + y, key=lambda each: each.now)
    found = conditions(feed(rule, steps))
    assert [condition.active for condition in found] == [True, False]
    assert found[1].explanation == "cold-gauge.y moves again"


def test_a_bad_reading_neither_frees_nor_freezes():
    rule = rule_of(STUCK)
    assert shape(feed(rule, stream("cold-gauge.x", [4.8] * 300 + [None] * 5 + [4.8] * 200))) == [("stuck", True)]


def test_a_tag_sent_on_change_stands_by_time():
    rule = rule_of({"kind": "stuck", "class": "system", "reads": "trough.water", "for": "1 min"})
    once = stream("trough.water", [25.0])
    assert shape(feed(rule, once + silence(61.0, once))) == [("stuck", True)]


def test_it_begins_anew_after_when_did_not_hold():
    rule, view = rule_of(STUCK | {"when": "producing"}), FakeView()
    run = stream("cold-gauge.x", [4.8] * 390)
    assert feed(rule, run, view) == []
    passed = Step("pass", run[-1].now, run[-1].metre, run[-1].m)
    assert feed(rule, [passed, *stream("cold-gauge.x", [4.8] * 390, start=8.0)], view) == []


def test_contract_battery():
    steps = stream("cold-gauge.x", NOISE * 20 + [4.8] * 500 + [None] * 5 + [4.8] * 20 + NOISE * 20, ticks=True)
    check_rule(lambda: rule_of(STUCK), steps)


def test_what_does_not_fit_is_refused_in_a_sentence():
    assert refusals(STUCK | {"tolerance": "1 bar"})["tolerance"] == "1 bar has the wrong dimension; the tag is in mm"
    assert refusals(STUCK | {"tolerance": "-1 um"})["tolerance"] == "-1 um is negative; it is a distance, 0 or more"
    assert "must be more than 0" in refusals(STUCK | {"for": "0 m"})["for"]
    assert "no [length] table" in refusals(STUCK, has_axis=False)["for"]
