import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from metrepost.readings import BAD
from metrepost.rules.expressions import STATES, compile_expression, compile_when, named
from support_rules import T0, FakeSite, FakeView, measured


def when(text):
    site = FakeSite()
    compiled = compile_when(text, site, "when")
    assert site.failures == []
    return compiled


@pytest.mark.parametrize(
    ("text", "states"),
    [
        ("producing", {"producing"}),
        ("!stopped && !threading", {"producing", "ramping"}),
        ("stopped || ramping", {"stopped", "ramping"}),
        ("true", set(STATES)),
        ("false", set()),
    ],
)
def test_an_expression_of_line_states_is_worked_out_at_load(text, states):
    compiled = when(text)
    assert compiled.states() == states
    assert {state for state in STATES if compiled.holds(state, FakeView())} == states


def test_other_expressions_are_asked_at_run_time():
    compiled, view = when('producing && value["trough.water"] > 20.0'), FakeView()
    assert compiled.states() is None
    assert compiled.tags == ("trough.water",)
    view.lasts["trough.water"] = measured("trough.water", 21.0, T0, 0.0)
    assert compiled.holds("producing", view)
    assert not compiled.holds("stopped", view)
    view.lasts["trough.water"] = measured("trough.water", 19.0, T0, 0.0)
    assert not compiled.holds("producing", view)


def test_doubt_does_not_silence_a_rule():
    compiled, view = when('value["trough.water"] > 20.0'), FakeView()
    assert compiled.holds("producing", view)
    view.lasts["trough.water"] = measured("trough.water", 1.0, T0, 0.0, quality=BAD)
    assert compiled.holds("producing", view)
    assert compiled.faults == 0


def test_speed_is_in_metres_per_minute():
    compiled, view = when("speed > 79.0 && speed < 81.0"), FakeView()
    view.speed = 80.0 / 60.0
    assert compiled.holds("producing", view)


def test_names_are_found_without_evaluating():
    found = named(
        "value['a.b'] > 1.0 || \"c.d\" in value && quality[\"e.f\"] == \"value[\" || alarm['r.high'] || value['a.b'] < 0.0"
    )
    assert found.tags == ("a.b", "c.d", "e.f")
    assert found.alarms == ("r.high",)
    assert found.wrong == ()


def test_names_bound_by_a_macro_are_no_unknown_names():
    assert when('[1.0, 2.0].exists(x, x > value["trough.water"])').states() is None


@settings(max_examples=300, deadline=None)
@given(
    st.text(max_size=30)
    | st.lists(
        st.sampled_from(
            [
                "producing",
                "&&",
                "||",
                "!",
                "(",
                ")",
                "value",
                "[",
                "]",
                '"trough.water"',
                ">",
                "1.0",
                "1",
                "speed",
                "?",
                ":",
                "+",
                "in",
            ]
        ),
        max_size=9,
    ).map(" ".join)
)
@example("(" * 200)
@example("a" * 5000)
@example("")
def test_no_text_gets_past_with_an_exception(text):
    site = FakeSite()
    compiled = compile_expression(text, site, "when")
    assert (compiled is None) == bool(site.failures)
    if compiled is not None:
        assert compiled.answer("producing", FakeView()) in (True, False, None)
