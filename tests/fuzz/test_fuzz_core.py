"""Whatever readings and acts reach the core, in whatever order: it goes on, and its snapshot is plain data."""

import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.assembly import assemble
from metrepost.configuration.plan import LoadedLine
from metrepost.readings import BAD, GOOD, UNCERTAIN, Act, Input, Reading, Tick
from metrepost.readings.act import ACTS
from support_bars import bars_line
from support_oracles import examples

T0 = 1_800_000_000.0
DAY = 86_400.0
ANY_ACT = [*ACTS, "nonsense"]


@pytest.fixture(scope="module")
def line() -> LoadedLine:
    return bars_line()


steps = st.one_of(
    st.floats(0, 0.2),
    st.floats(0, 30.0),
    st.sampled_from([0.0, -0.5, -20.0, -DAY, 3600.0, DAY, 400 * DAY]),
    st.floats(-1e6, 1e6),
)
values = st.one_of(
    st.floats(4.6, 5.0),
    st.floats(-10, 400),
    st.sampled_from([0.0, 1.0, -0.0, math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324, 2.0**32, 42949672.95]),
    st.floats(),
)
acts = st.builds(
    Act,
    act=st.sampled_from(ANY_ACT),
    time=st.just(0.0),
    who=st.text(max_size=5),
    alarm=st.sampled_from(["", "nothing", "nothing.at-all", "cold-lump.flaw", "length.counter-jumped"]),
    reason=st.text(max_size=5),
    until=st.sampled_from([0.0, T0 - DAY, T0 + DAY, T0 + 10]),
    endpoint=st.sampled_from(["", "gauges", "nothing"]),
    amount=st.floats(-1e9, 1e9),
    text=st.text(max_size=5),
    metre=st.none() | st.floats(-1e9, 1e9),
    start=st.none() | st.floats(-1e9, 1e9),
    end=st.none() | st.floats(-1e9, 1e9),
    value=st.none() | st.floats(allow_nan=False, allow_infinity=False),
    unit=st.just("mm"),
)


@st.composite
def shifts(draw: st.DrawFn, tags: list[str]) -> list[Input]:
    now, items = T0, list[Input]()
    readings = st.tuples(
        st.sampled_from([*tags, "no.such"]), values, st.sampled_from([GOOD, GOOD, GOOD, UNCERTAIN, BAD]), st.floats(0, 5)
    )
    for what, step in draw(st.lists(st.tuples(st.one_of(readings, acts, st.none()), steps), max_size=40)):
        now = min(max(now + step, T0 - 3e8), T0 + 3e8)
        if what is None:
            items.append(Tick(now))
        elif isinstance(what, Act):
            items.append(msgspec.structs.replace(what, time=now))
        else:
            tag, value, quality, doubt = what
            items.append(Reading(tag, now, value, quality, "", doubt))
    return items


@examples(12)
@given(data=st.data())
def test_nothing_stops_the_core(line: LoadedLine, data: st.DataObject) -> None:
    core = assemble(line)
    plan = line.plan
    assert plan.axis is not None
    # what the length axis is made of comes more often than the many others
    axis = [tag for tag in (plan.axis.counter, plan.axis.speed) if tag]
    for item in data.draw(shifts(axis * 10 + sorted(plan.tags))):
        msgspec.json.encode(core.feed(item))
    saved = msgspec.json.decode(msgspec.json.encode(core.snapshot()))
    again = assemble(line)
    again.restore(saved)
    again.feed(Tick(core.now + 0.1))
