"""`condition` in the whole core against a plain re-computation that imports nothing of the rules."""

from hypothesis import given
from hypothesis import strategies as st
from oracle_condition import condition_transitions
from oracle_gates import gates

from support_oracles import (
    compare,
    examples,
    gate_texts,
    last_quality,
    last_value,
    length_or_time,
    live,
    lives,
    shown,
    transitions,
)


def both(state, moments, k):
    one, two = last_value(moments, k, "gauge.one"), last_value(moments, k, "gauge.two")
    if one is not None and two is not None:
        return one > 0.5 and two > 0.5
    return False if (one is not None and one <= 0.5) or (two is not None and two <= 0.5) else None


def twice(state, moments, k):
    one, two = last_value(moments, k, "gauge.one"), last_value(moments, k, "gauge.two")
    return None if one is None or two is None else one * 2.0 > two


EXPRESSIONS = {
    'value["gauge.one"] > 0.5 && value["gauge.two"] > 0.5': both,
    'value["gauge.one"] * 2.0 > value["gauge.two"]': twice,
    'quality["gauge.one"] != "good" || (producing && quality["gauge.two"] == "bad")': lambda state, moments, k: (
        last_quality(moments, k, "gauge.one") != "good"
        or (state == "producing" and last_quality(moments, k, "gauge.two") == "bad")
    ),
    'ramping && quality["gauge.one"] == "good" && quality["gauge.two"] != "bad"': lambda state, moments, k: (
        state == "ramping"
        and last_quality(moments, k, "gauge.one") == "good"
        and last_quality(moments, k, "gauge.two") != "bad"
    ),
}
VALUES = st.sampled_from([0.0, 1.0, 2.0, 3.0])


@given(
    lives({"gauge.one": VALUES, "gauge.two": VALUES, "plc.run": st.sampled_from([0.0, 1.0])}),
    st.sampled_from(sorted(EXPRESSIONS)),
    length_or_time,
    length_or_time,
    gate_texts,
)
@examples(25)
def test_the_same_transitions(pieces, text, on, off, gated):
    table = {
        "kind": "condition",
        "class": "process",
        "expression": text,
        "on_delay": shown(on),
        "off_delay": shown(off),
        **gated.keys,
    }
    moments, told = live({"it": table}, pieces)
    rows = condition_transitions(
        moments,
        ("gauge.one", "gauge.two"),
        "gauge",
        EXPRESSIONS[text],
        on=on,
        off=off,
        holds=gates(moments, gated.when, gated.when_now),
    )
    compare(told, transitions("it.true", rows, moments, "gauge"))
