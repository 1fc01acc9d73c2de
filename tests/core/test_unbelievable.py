"""What no honest device sends, and a float register can hold: found by tests/fuzz, kept here."""

import math

import pytest

from metrepost.assembly import assemble
from metrepost.core import Core
from metrepost.events import CounterEvent, EndpointEvent, Event
from metrepost.readings import BAD, GOOD, Act, Measured, Reading, Tick
from support_bars import bars_line

T0 = 1_800_000_000.0


@pytest.fixture
def core() -> Core:
    return assemble(bars_line())


@pytest.mark.parametrize("shown", [1e95, -1e300, 1e10, math.inf, -math.inf, math.nan])
def test_a_counter_that_cannot_be_one_is_bad_and_moves_nothing(core: Core, shown: float) -> None:
    """It used to make every metre after it infinite or no number, and the next rule raised."""
    assert core.plan.axis is not None
    counter = core.plan.axis.counter
    for n in range(20):
        core.feed(Reading(counter, T0 + 0.1 * n, 100.0 + 0.1 * n))
    place = core.die_metre_now
    out = core.feed(Reading(counter, T0 + 2.0, shown))
    (measured,) = [m for m in out if isinstance(m, Measured) and m.tag == counter]
    assert (measured.quality, measured.reason) == (BAD, "range" if math.isfinite(shown) else "not a number")
    assert not [o for o in out if isinstance(o, Event) and isinstance(o.data, CounterEvent)]
    core.feed(Reading(counter, T0 + 2.1, 102.1))
    assert place < core.die_metre_now < place + 1
    core.feed(Reading("hot-gauge.y_max", T0 + 2.2, 4.8))
    core.feed(Tick(T0 + 3.0))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_good_reading_that_is_no_number_is_bad(core: Core, value: float) -> None:
    out = core.feed(Reading("cold-gauge.x", T0, value, GOOD))
    assert {m.quality for m in out if isinstance(m, Measured) and m.tag == "cold-gauge.x"} == {BAD}


def test_the_last_word_of_an_endpoint_that_is_gone_is_told_without_an_alarm(core: Core) -> None:
    out = core.feed(Act("endpoint_down", T0, endpoint="taken-out", reason="ended"))
    assert [o.data.endpoint for o in out if isinstance(o, Event) and isinstance(o.data, EndpointEvent)] == ["taken-out"]
    assert len(out) == 1


def test_a_moment_that_nobody_can_foresee_is_left_open(core: Core) -> None:
    assert core.plan.axis is not None
    for n in range(60):
        core.feed(Reading(core.plan.axis.counter, T0 + 0.1 * n, 100.0 + 0.1 * n))
        core.feed(Reading(core.plan.axis.speed, T0 + 0.1 * n, 60.0))
    metre = core.take_up_metre()
    assert metre is not None
    assert core.takes_up_at(metre + 10.0)
    assert core.takes_up_at(1e95) == ""
