from hypothesis import given
from hypothesis import strategies as st

from metrepost.backoff import backoff


def test_waits_double_up_to_the_longest() -> None:
    assert [backoff(n, 1.0, 2.0, 300.0) for n in (1, 2, 3, 8, 9, 10_000)] == [2, 4, 8, 256, 300, 300]


@given(st.integers(1, 10_000), st.floats(0, 1))
def test_jitter_takes_off_at_most_half(attempt: int, jitter: float) -> None:
    whole = backoff(attempt, 1.0, 2.0, 300.0)
    assert whole / 2 <= backoff(attempt, jitter, 2.0, 300.0) <= whole
