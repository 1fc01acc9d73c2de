"""Alarms in the whole core, with acts at any moment, against a plain re-statement that imports neither rules nor alarms."""

from hypothesis import given
from hypothesis import strategies as st
from oracle_alarms import Alarm, Plant
from oracle_bit import bit_transitions
from oracle_gates import gates

from metrepost.alarms.machine import Refused
from metrepost.readings import Act
from support_oracles import World, examples, lives

VALUES = st.sampled_from([0.0, 1.0])
NAMES = ("root.set", "it.set", "far.set", "endpoint.plc")
TAGS = {"root": "plc.set", "it": "gauge.one", "far": "gauge.two"}
STATION = {"root": "plc", "it": "gauge", "far": "gauge"}


def _act(word, alarm, until):
    if word.startswith("endpoint"):
        return Act(act=word, time=0.0, endpoint="plc", reason="no answer")
    return Act(act=word, time=0.0, who="kim", alarm=alarm, until=until if word == "shelve" else 0.0, reason="a try")


WALKS = (
    ("acknowledge",),
    ("acknowledge", "reset"),
    ("shelve",),
    ("shelve", "unshelve"),
    ("out_of_service", "in_service"),
    ("reset", "shelve", "out_of_service"),
    ("acknowledge", "shelve", "shelve", "reset"),
    ("in_service", "unshelve"),
    ("endpoint_down", "endpoint_up"),
    ("endpoint_down",),
)


@st.composite
def walks(draw):
    """What somebody tries on one alarm, at rising tenths."""
    alarm, at, out = draw(st.sampled_from([*NAMES, *NAMES, *NAMES, "no.such"])), draw(st.integers(0, 20)), []
    for word in draw(st.sampled_from(WALKS)):
        out.append((at, _act(word, alarm, draw(st.sampled_from([0.0, 0.75, 1.55, 4.05, 28800.0, 28801.0, -5.0])))))
        at += draw(st.integers(0, 12))
    return out


acts = st.lists(walks(), max_size=4).map(lambda several: [act for walk in several for act in walk])


@given(
    lives({"gauge.one": VALUES, "gauge.two": VALUES, "plc.set": VALUES}, acts=acts),
    st.tuples(st.booleans(), st.booleans(), st.booleans()),
    st.booleans(),
    st.sampled_from([(), ("root.set",), ("endpoint.plc",), ("root.set", "endpoint.plc")]),
    st.sampled_from([(), ("it.set",), ("it.set", "root.set")]),
    st.sampled_from([(), ("endpoint.plc",), ("far.set",)]),
)
@examples(40)
def test_the_same_transitions_and_refusals(pieces, latch, trial, of_it, of_far, of_root):
    because = {"root": of_root, "it": of_it, "far": of_far}
    latched = dict(zip(TAGS, latch, strict=True))
    tables = {
        name: {
            "kind": "bit",
            "class": "equipment",
            "reads": tag,
            "latch": latched[name],
            "trial": trial and name == "root",
            "because_of": list(because[name]),
        }
        for name, tag in TAGS.items()
    }
    world = World(tables, pieces)
    moments = world.moments
    alarms = [
        Alarm(f"{name}.set", latch=latched[name], trial=trial and name == "root", because_of=because[name]) for name in TAGS
    ]
    plant = Plant([*alarms, Alarm("endpoint.plc")], moments)
    plant.run(what_happened(moments))
    told = [each for each in world.told if not each.alarm.startswith("length.")]
    assert [(e.alarm, e.word) for e in told] == [(alarm, word) for _, alarm, word, *_ in plant.told]
    for each, (k, alarm, _, state, onset, by) in zip(told, plant.told, strict=True):
        assert (each.state, each.by) == (state, by)
        assert abs(each.onset - onset) < 1e-4
        assert abs(each.decided - moments[k].now) < 1e-4
        station = STATION.get(alarm.partition(".")[0])
        if station is not None:
            assert abs(each.decided_metre - moments[k].at[station]) < 1e-6
    assert [(r.act, r.alarm) for r in world.others if isinstance(r, Refused)] == [(a, n) for _, a, n in plant.refused]


def what_happened(moments):
    """Conditions, acts and ticks in the order in which the core takes them; within a moment conditions come first."""
    out = []
    holds = gates(moments)
    for name, tag in TAGS.items():
        rows = bit_transitions(
            moments, tag, STATION[name], bit=None, alarm_when=True, on=("s", 0.0), off=("s", 0.0), holds=holds
        )
        out += [(d.k, 0, ("condition", d.k, f"{name}.set", word == "raised", onset.time)) for word, onset, d in rows]
    down = False
    for k, moment in enumerate(moments):
        if moment.what == "tick":
            out.append((k, 1, ("tick", k)))
        elif moment.what == "act" and moment.act.act.startswith("endpoint"):
            lost = moment.act.act == "endpoint_down"
            if lost != down:
                out.append((k, 0, ("condition", k, "endpoint.plc", lost, moment.now)))
            down = lost
        elif moment.what == "act":
            out.append((k, 0, ("act", k, moment.act)))
    return [each for _, _, each in sorted(out, key=lambda each: each[:2])]
