"""Standard uncertainty of a computed value: first order, inputs taken as uncorrelated.

JCGM 100:2008 (GUM) 5.1.2, equation (10): u² = Σ (∂f/∂x_i)²·u_i², with sensitivities by central differences (in the manner of
5.1.3 note 2, with a step far smaller than u_i, so that it is the first order and nothing else). A tolerance `± a` of a product value
counts as a rectangular distribution, u = a/√3 (4.3.7). Clause numbers from memory.
"""

from collections.abc import Callable, Sequence
from math import hypot, isfinite, sqrt

STEP = 1e-3
"""Step of a difference as a share of the input's standard uncertainty."""

SMALLEST = 1e-8
"""Smallest step as a share of the input: below it the difference is rounding."""

Formula = Callable[[Sequence[float]], float]


def of_tolerance(half_width: float) -> float:
    """Standard uncertainty of a value known only to lie within ± `half_width` (JCGM 100:2008, 4.3.7)."""
    return half_width / sqrt(3.0)


def _at(formula: Formula, values: list[float]) -> float | None:
    try:
        found = formula(values)
    except (ValueError, ZeroDivisionError, OverflowError):
        return None
    return found if isfinite(found) else None


def sensitivity(formula: Formula, values: Sequence[float], index: int, uncertainty: float) -> float | None:
    """∂f/∂x at `values`; from one side at the edge of what the formula takes; None where it has no value on either side."""
    x = values[index]
    step = max(STEP * uncertainty, SMALLEST * abs(x))
    there = list(values)
    there[index] = above = x + step
    high = _at(formula, there)
    there[index] = below = x - step
    low = _at(formula, there)
    if high is None or low is None:
        there[index] = x
        here = _at(formula, there)
        if here is None:
            return None
        if high is None:
            high, above = here, x
        else:
            low, below = here, x
        if low is None:
            return None
    return (high - low) / (above - below)


def combined(formula: Formula, values: Sequence[float], uncertainties: Sequence[float | None]) -> float | None:
    """Combined standard uncertainty of ``formula(values)``; None when that of an input is not stated, or there is no value."""
    parts: list[float] = []
    for index, u in enumerate(uncertainties):
        if u is None:
            return None
        if u == 0.0:
            continue
        slope = sensitivity(formula, values, index, u)
        if slope is None:
            return None
        parts.append(slope * u)
    return hypot(*parts)
