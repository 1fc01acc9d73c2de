"""Fixed rates without drift, earliest deadline first, missed beats counted; and the wait between attempts."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.endpoints.backoff import FIRST, LONGEST, backoff
from metrepost.endpoints.schedule import Schedule


def test_lateness_of_one_beat_does_not_move_the_next() -> None:
    schedule = Schedule([0.02], start=10.0)
    for beat in range(1000):
        assert schedule.due(0) == 10.0 + beat * 0.02
        schedule.done(0, schedule.due(0) + 0.013)


def test_a_beat_whose_whole_period_went_by_is_skipped_and_counted() -> None:
    schedule = Schedule([1.0], start=0.0)
    assert schedule.done(0, 3.5) == 2
    assert schedule.due(0) == 3.0
    assert schedule.done(0, 3.9) == 0
    assert schedule.due(0) == 4.0


def test_nothing_is_due_before_its_time() -> None:
    schedule = Schedule([1.0, 0.5], start=0.0)
    schedule.done(0, 0.0)
    schedule.done(1, 0.0)
    assert schedule.pick(0.49) is None
    assert schedule.next_due() == 0.5
    assert schedule.pick(0.5) == 1


def test_the_earliest_deadline_goes_first() -> None:
    schedule = Schedule([1.0, 0.1], start=0.0)
    assert schedule.pick(0.0) == 1
    schedule.done(1, 0.01)
    assert schedule.pick(0.05) == 0
    assert schedule.pick(0.1) == 1


def test_an_endpoint_without_polls_is_never_due() -> None:
    assert Schedule([], 0.0).pick(1e9) is None


@pytest.mark.parametrize("period", [0.0, -1.0, float("inf"), float("nan")])
def test_a_period_that_is_no_time_is_refused(period: float) -> None:
    with pytest.raises(ValueError, match="poll periods"):
        Schedule([period], 0.0)


@given(
    st.lists(st.floats(0.01, 2.0), min_size=1, max_size=5),
    st.lists(st.floats(0.0, 0.5), min_size=20, max_size=200),
)
def test_served_and_missed_beats_add_up_and_none_starves(periods: list[float], costs: list[float]) -> None:
    """Under any load: what is not served is counted, no beat is served twice or early, nobody waits for ever."""
    schedule = Schedule(periods, start=0.0)
    now = 0.0
    served = [0] * len(periods)
    missed = [0] * len(periods)
    for cost in costs:
        poll = schedule.pick(now)
        if poll is None:
            now = schedule.next_due()
            poll = schedule.pick(now)
            assert poll is not None
        assert schedule.due(poll) <= now
        now += cost
        served[poll] += 1
        missed[poll] += schedule.done(poll, now)
        for number, period in enumerate(periods):
            assert schedule.due(number) == (served[number] + missed[number]) * period
            # a due poll waits at most for its own deadline and for one piece of work each of the others
            assert schedule.due(number) >= now - period - 0.5 * (len(periods) + 1)


@given(st.integers(0, 10_000), st.floats(0.0, 1.0))
def test_backoff_stays_within_its_bounds(attempt: int, fraction: float) -> None:
    assert FIRST <= backoff(attempt, fraction) <= LONGEST


def test_backoff_doubles_and_is_spread_by_the_fraction() -> None:
    assert [backoff(n, 1.0) for n in range(7)] == pytest.approx([0.4, 0.8, 1.6, 3.2, 6.4, 10.0, 10.0])
    assert [backoff(n, 0.0) for n in range(7)] == pytest.approx([0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0])
