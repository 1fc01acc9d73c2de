"""`hold_off` of `bit` and `condition` in the whole core against a plain re-computation that imports nothing of the rules."""

from hypothesis import given
from hypothesis import strategies as st
from oracle_condition import condition_transitions
from oracle_delays import delayed
from oracle_gates import gates, looks
from oracle_hold_off import held_back, holding

from support_oracles import compare, examples, gate_texts, last_value, length_or_time, live, lives, shown, transitions

VALUES = st.sampled_from([0.0, 1.0])
EXTENTS = st.sampled_from([("s", 0.55), ("s", 2.45), ("m", 1.37), ("m", 4.03)])
ANY_LIFE = given(
    lives({"gauge.one": VALUES, "plc.set": st.sampled_from([40.0, 50.0]), "plc.run": VALUES}),
    EXTENTS,
    length_or_time,
    length_or_time,
    gate_texts,
)


@ANY_LIFE
@examples(30)
def test_nothing_new_is_raised_what_stood_is_held_and_the_standing_value_is_judged_at_its_end(pieces, extent, on, off, gated):
    table = {
        "kind": "bit",
        "class": "equipment",
        "reads": "gauge.one",
        "on_delay": shown(on),
        "off_delay": shown(off),
        "hold_off": {"after_change_of": "plc.set", "for": shown(extent)},
        **gated.keys,
    }
    moments, told = live({"it": table}, pieces)
    rows = looks(moments, "gauge.one", "gauge", gates(moments, gated.when, gated.when_now))
    held_back(rows, holding(moments, "plc.set", "plc", extent))
    steps = delayed(rows, lambda row: row.value != 0, lambda row: row.value == 0, on, off)
    compare(told, transitions("it.set", steps, moments, "gauge"))


@ANY_LIFE
@examples(20)
def test_an_expression_is_held_too(pieces, extent, on, off, gated):
    table = {
        "kind": "condition",
        "class": "process",
        "expression": 'value["gauge.one"] > 0.5',
        "on_delay": shown(on),
        "off_delay": shown(off),
        "hold_off": {"after_change_of": "plc.set", "for": shown(extent)},
        **gated.keys,
    }
    moments, told = live({"it": table}, pieces)

    def above(state, moments, k):
        value = last_value(moments, k, "gauge.one")
        return None if value is None else value > 0.5

    held = holding(moments, "plc.set", "plc", extent)
    holds = gates(moments, gated.when, gated.when_now)
    steps = condition_transitions(moments, ("gauge.one",), "gauge", above, on=on, off=off, holds=holds, held=held)
    compare(told, transitions("it.true", steps, moments, "gauge"))
