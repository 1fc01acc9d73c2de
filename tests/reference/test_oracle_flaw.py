"""`flaw` as it runs, reading by reading, against a plain re-computation of whole traces that imports nothing of the rules."""

import math
import random

from hypothesis import given, settings
from hypothesis import strategies as st
from oracle_flaw import excursions, verdict, witness_rises

from metrepost.rules.flaw import FlawSettings
from support_gauges import COLD, HOT, REFERENCE, GaugeSite, TwoGauges

HEIGHT, LENGTH, MAX_LENGTH, UP_TO = 0.06, 5.0, 0.100, 80.0
SETTINGS = {
    "kind": "flaw",
    "class": "product",
    "reads": ["cold.x_max", "cold.y_max"],
    "direction": "lump",
    "baseline": "5 m",
    "height": "0.06 mm",
    "witness": {"reads": ["hot.x_max", "hot.y_max"], "max_length": "100 mm", "up_to_speed": "80 m/min"},
}


class Traced(TwoGauges):
    """Two gauges that keep what they said, by gauge: pieces and both axes."""

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.kept = {"hot": ([], [[], []]), "cold": ([], [[], []])}

    def _read(self, station, begin, end, seen, *, bad):
        out = super()._read(station, begin, end, seen, bad=bad)
        pieces, axes = self.kept[station]
        pieces.append((out[0].start, out[0].end))
        for axis, m in zip(axes, out, strict=True):
            axis.append(None if bad else m.value)
        return out


flaws = st.lists(
    st.tuples(
        st.floats(1071.0, 1084.0),
        st.floats(0.003, 0.16),
        st.floats(0.03, 0.3),
        st.sampled_from(["lump", "drop", "late"]),
    ),
    max_size=6,
)


@given(
    flaws,
    st.integers(0, 10_000),
    st.sampled_from([25.0, 50.0, 79.0]),
    st.sets(st.integers(100, 4000), max_size=20),
    st.booleans(),
)
@settings(max_examples=12, deadline=None)
def test_the_same_excursions_and_verdicts(given_flaws, seed, speed, lost, freeze):
    rule = FlawSettings.model_validate(SETTINGS).build("cold-lump", GaugeSite())
    by_kind = {
        kind: [(at, at + length, height) for at, length, height, k in given_flaws if k == kind]
        for kind in ("lump", "drop", "late")
    }
    world = Traced(rule, speed=speed, seed=seed, lumps=by_kind["lump"], drops=by_kind["drop"], late=by_kind["late"])
    world.lose = lost
    world.run_to(1040)
    if freeze:
        world.hot_frozen = 4.8003
        world.run_to(1040 + random.Random(seed).uniform(0.5, 5.0))
        world.hot_frozen = None
    world.run_to(1086)
    told = sorted(
        [(f.start, f.end, "drop") for f in world.told("drop")]
        + [(f.start, f.end, "lump" if f.verdict == "lump" else f.verdict) for f in world.told("flaw")]
    )
    cold_pieces, cold = world.kept["cold"]
    hot_pieces, hot = world.kept["hot"]
    rises = [witness_rises([end - 0.0005 for _, end in hot_pieces], axis, LENGTH) for axis in hot]
    registration = world.rule._registration.between(COLD - HOT, speed / 60)
    expected = []
    for one in excursions([(s, e - 0.0005 + 0.0005) for s, e in cold_pieces], cold, LENGTH, HEIGHT):
        word = verdict(one, hot_pieces, hot, rises, max_length=MAX_LENGTH, height=HEIGHT, registration=registration)
        expected.append((one["start"], one["end"], word))
    recurring = world.told("reclassified")
    assert len(told) == len(expected)
    for (start, end, word), (start_2, end_2, word_2) in zip(told, sorted(expected), strict=True):
        assert math.isclose(start, start_2, abs_tol=1e-9)
        assert math.isclose(end, end_2, abs_tol=1e-9)
        assert word == word_2 or recurring
    assert REFERENCE > COLD
