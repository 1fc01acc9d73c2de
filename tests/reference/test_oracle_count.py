"""`count` of a counter in the whole core against a plain re-computation that imports nothing of the rules."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from oracle_count import count_transitions, increments
from oracle_gates import gates

from metrepost.events import Event, SparkEvent
from support_oracles import APERTURE, Transition, World, compare, examples, gate_texts, lives, shown

COUNTS = st.sampled_from([0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 11.0, 12.0, -1.0])


@given(
    lives({"gauge.one": COUNTS, "plc.run": st.sampled_from([0.0, 1.0])}),
    st.integers(0, 12),
    st.sampled_from([("m", 3.17), ("s", 2.45), ("m", 40.0)]),
    st.integers(0, 8),
    st.sampled_from([("m", 0.83), ("s", 0.55)]),
    gate_texts,
)
@examples(25)
def test_the_same_transitions_and_sparks(pieces, limit, per, few, within, gated):
    table = {
        "kind": "count",
        "class": "product",
        "reads": "gauge.one",
        "tells": "spark",
        "limit": limit,
        "per": shown(per),
        "cluster": {"limit": few, "within": shown(within)},
        **gated.keys,
    }
    world = World({"it": table}, pieces)
    moments = world.moments
    rows = count_transitions(
        moments,
        "gauge.one",
        "gauge",
        {"over": (limit, per), "cluster": (few, within)},
        holds=gates(moments, gated.when, gated.when_now),
    )
    expected = [
        Transition(f"it.{name}", word, time, metre, moments[k].now, moments[k].at["gauge"], count, quality)
        for name, word, time, metre, k, count, quality in rows
    ]
    compare(world.told, expected)
    sparks = [each.data for each in world.others if isinstance(each, Event) and isinstance(each.data, SparkEvent)]
    pieces_of_cable = [
        (new, sorted((moments[k].metre, moments[before].metre))) for k, before, new in increments(moments, "gauge.one") if new
    ]
    assert [s.faults for s in sparks] == [new for new, _ in pieces_of_cable]
    for spark, (_, (low, high)) in zip(sparks, pieces_of_cable, strict=True):
        assert (spark.start, spark.end) == pytest.approx((low - APERTURE / 2, high + APERTURE / 2), abs=1e-9)
