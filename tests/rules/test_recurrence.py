"""Drops that recur: the stated false rate holds for random drops, and a real period is found."""

import random

import pytest

from metrepost.rules.recurrence import FALSE_RATE, recurring, tail


def binomial_tail(n, k, q):
    """By convolution of n coins: shares no formula with the rule."""
    chances = [1.0]
    for _ in range(n):
        chances = [a * (1 - q) + b * q for a, b in zip([*chances, 0.0], [0.0, *chances], strict=True)]
    return sum(chances[k:])


def random_stretch(rng, density, drops=100):
    metre, out = 0.0, []
    for _ in range(drops):
        metre += rng.expovariate(density)
        out.append(metre)
    return out


def false_periods(stretches, density, tolerance, seed):
    rng = random.Random(seed)
    hits = 0
    for _ in range(stretches):
        metres = random_stretch(rng, density)
        hits += any(recurring(metres[: i + 1], tolerance) is not None for i in range(4, len(metres), 3))
    return hits


@pytest.mark.parametrize("density", [0.05, 0.2, 1.0])
def test_random_drops_are_not_taken_for_a_period(density):
    """Stated: below 1 in 1 000 stretches of 100 drops. 60 stretches here; `bench_recurrence.py` runs thousands."""
    assert false_periods(60, density, 0.03, seed=7) == 0


@pytest.mark.parametrize("period", [0.4, 1.571, 6.0])
def test_a_period_is_found_among_random_drops(period):
    rng = random.Random(3)
    metres = sorted([i * period + rng.gauss(0, 0.005) for i in range(12)] + [rng.uniform(0, 12 * period) for _ in range(2)])
    found = recurring(metres, 0.03)
    assert found is not None
    assert found.period == pytest.approx(period, rel=0.01)
    assert found.chance < FALSE_RATE


def test_too_few_drops_prove_nothing():
    assert recurring([0.0, 1.0, 2.0, 3.0], 0.03) is None


def test_the_binomial_tail_is_the_textbook_sum():
    """Independent check: 1 - cumulative distribution by recursion."""
    for n, k, q in [(10, 3, 0.1), (10, 8, 0.05), (5, 0, 0.3)]:
        assert tail(n, k, q) == pytest.approx(binomial_tail(n, k, q), rel=1e-9)
