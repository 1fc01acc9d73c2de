"""`bit` in the whole core against a plain re-computation that imports nothing of the rules."""

from hypothesis import given
from hypothesis import strategies as st
from oracle_bit import bit_transitions
from oracle_gates import gates

from support_oracles import compare, examples, gate_texts, length_or_time, live, lives, shown, transitions

VALUES = st.sampled_from([0.0, 1.0, 2.0, 6.0, 7.0, 0.5, -1.0])


@given(
    lives({"gauge.one": VALUES}),
    st.sampled_from([None, 0, 1]),
    st.booleans(),
    length_or_time,
    length_or_time,
    gate_texts,
)
@examples(25)
def test_the_same_transitions(pieces, bit, alarm_when, on, off, gated):
    table = {
        "kind": "bit",
        "class": "equipment",
        "reads": "gauge.one",
        "alarm_when": alarm_when,
        "on_delay": shown(on),
        "off_delay": shown(off),
        **({"bit": bit} if bit is not None else {}),
        **gated.keys,
    }
    moments, told = live({"it": table}, pieces)
    rows = bit_transitions(
        moments,
        "gauge.one",
        "gauge",
        bit=bit,
        alarm_when=alarm_when,
        on=on,
        off=off,
        holds=gates(moments, gated.when, gated.when_now),
    )
    compare(told, transitions("it.set", rows, moments, "gauge"))
