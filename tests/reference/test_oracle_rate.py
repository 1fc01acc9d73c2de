"""`rate` in the whole core against a plain re-computation that imports nothing of the rules."""

from hypothesis import given
from hypothesis import strategies as st
from oracle_gates import gates
from oracle_rate import rate_transitions

from support_oracles import Transition, compare, examples, gate_texts, length_or_time, live, lives, shown

# values that put no slope exactly on a limit
VALUES = st.sampled_from([0.0, 0.013, 1.0, 2.0, 2.007, 3.0])
PER_SECOND = {"rising": 0.3141, "falling": 0.2718}


@given(
    lives({"gauge.one": VALUES, "plc.run": st.sampled_from([0.0, 1.0])}),
    st.sampled_from([0.5, 2.0, 5.0]),
    st.sampled_from([0.0, 0.0777]),
    length_or_time,
    length_or_time,
    gate_texts,
)
@examples(25)
def test_the_same_transitions(pieces, over, deadband, on, off, gated):
    table = {
        "kind": "rate",
        "class": "process",
        "reads": "gauge.one",
        "over": f"{over} s",
        "deadband": f"{deadband * 60!r} 1/min",
        "on_delay": shown(on),
        "off_delay": shown(off),
        **{limit: {"at": f"{at * 60!r} 1/min"} for limit, at in PER_SECOND.items()},
        **gated.keys,
    }
    moments, told = live({"it": table}, pieces)
    rows = rate_transitions(
        moments,
        "gauge.one",
        "gauge",
        over=over,
        limits=PER_SECOND,
        deadband=deadband,
        on=on,
        off=off,
        holds=gates(moments, gated.when, gated.when_now),
    )
    expected = [
        Transition(
            f"it.{limit}",
            word,
            onset.time,
            onset.metre,
            moments[decided.k].now,
            moments[decided.k].at["gauge"],
            None if got is None else got[0] * 60,
            "good" if got is None else got[1],
        )
        for limit, word, onset, decided, got in rows
    ]
    compare(told, expected)
