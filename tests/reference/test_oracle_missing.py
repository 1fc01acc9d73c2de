"""`missing` in the whole core against a plain re-computation that imports nothing of the rules."""

from hypothesis import given
from hypothesis import strategies as st
from oracle_gates import gates
from oracle_missing import missing_transitions

from support_oracles import compare, examples, gate_texts, live, lives, shown, transitions

VALUES = st.sampled_from([0.0, 1.0])
STATIONS = {"gauge.one": "gauge", "plc.set": "plc"}


@given(
    lives({"gauge.one": VALUES, "plc.set": VALUES, "plc.run": VALUES}),
    st.sampled_from([("s", 0.55), ("s", 2.45), ("m", 1.37), ("m", 0.55)]),
    st.sampled_from([("gauge.one",), ("gauge.one", "plc.set")]),
    gate_texts,
)
@examples(25)
def test_the_same_transitions(pieces, length, tags, gated):
    table = {"kind": "missing", "class": "system", "reads": list(tags), "for": shown(length), **gated.keys}
    moments, told = live({"it": table}, pieces)
    holds = gates(moments, gated.when, gated.when_now)
    rows = missing_transitions(moments, tags, STATIONS, length, holds=holds)
    compare(told, transitions("it.missing", rows, moments, "gauge"))
