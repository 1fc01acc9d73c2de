"""`stuck` in the whole core against a plain re-computation that imports nothing of the rules."""

from hypothesis import given
from hypothesis import strategies as st
from oracle_gates import gates
from oracle_stuck import stuck_transitions

from support_oracles import compare, examples, gate_texts, live, lives, shown, transitions

VALUES = st.sampled_from([0.0, 1.0, 1.25, 2.0])
STATIONS = {"gauge.one": "gauge", "gauge.two": "gauge"}


@given(
    lives({"gauge.one": VALUES, "gauge.two": VALUES, "plc.run": st.sampled_from([0.0, 1.0])}),
    st.sampled_from([("s", 0.55), ("s", 2.45), ("m", 1.37), ("m", 0.55)]),
    st.sampled_from([0.0, 0.5]),
    st.sampled_from([("gauge.one",), ("gauge.one", "gauge.two")]),
    gate_texts,
)
@examples(25)
def test_the_same_transitions(pieces, length, tolerance, tags, gated):
    table = {
        "kind": "stuck",
        "class": "system",
        "reads": list(tags),
        "for": shown(length),
        "tolerance": str(tolerance),
        **gated.keys,
    }
    moments, told = live({"it": table}, pieces)
    holds = gates(moments, gated.when, gated.when_now)
    rows = stuck_transitions(moments, tags, STATIONS, length, tolerance, holds=holds)
    compare(told, transitions("it.stuck", rows, moments, "gauge"))
