import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metrepost.readings import GOOD, UNCERTAIN
from metrepost.readings.units import Extent
from metrepost.rules.windows import CELLS, Window

METRE = Extent(metres=1.0)


def test_readings_weigh_the_cable_until_the_next_one():
    window = Window(METRE)
    for x, value in [(0.0, 10.0), (0.75, 20.0), (1.0, 99.0)]:
        window.add(x, value)
    assert window.mean() == (pytest.approx(0.75 * 10 + 0.25 * 20), GOOD)


def test_a_holding_register_weighs_its_own_piece():
    window = Window(METRE)
    for x, value, piece in [(0.25, 1.0, 0.25), (1.0, 3.0, 0.75), (1.25, 5.0, 0.25)]:
        window.add(x, value, GOOD, piece)
    assert window.mean() == (pytest.approx(0.75 * 3.0 + 0.25 * 5.0), GOOD)


def test_no_mean_before_a_whole_window_has_passed():
    window = Window(METRE)
    for i in range(10):
        window.add(i * 0.1, 1.0)
        assert window.mean() is None
    window.add(1.0, 1.0)
    assert window.mean() is not None


def test_a_gap_weighs_nothing_and_too_much_of_it_leaves_no_mean():
    window = Window(METRE)
    for x in (0.0, 0.5, 1.0):
        window.add(x, 2.0)
    window.gap()
    window.add(1.4, 4.0)
    assert window.mean() == (pytest.approx(2.0), GOOD)
    window.gap()
    window.add(1.6, 4.0)
    assert window.mean() is None


def test_quality_is_the_worst_in_the_window():
    window = Window(METRE)
    for i in range(21):
        window.add(i * 0.1, 1.0, UNCERTAIN if i == 5 else GOOD)
    # the uncertain reading stood from 0.5 to 0.6, and the window now reaches back to 1.0
    assert window.mean() == (pytest.approx(1.0), GOOD)
    window = Window(METRE)
    for i in range(12):
        window.add(i * 0.1, 1.0, UNCERTAIN if i == 5 else GOOD)
    assert window.mean()[1] is UNCERTAIN


def test_a_standing_line_adds_nothing_and_grows_nothing():
    window = Window(METRE)
    for x in (0.0, 0.5, 1.0):
        window.add(x, 2.0)
    before = window.mean()
    for _ in range(10_000):
        window.add(1.0, 50.0)
    assert window.mean() == before
    assert len(window.snapshot()["cells"]) == 2


def test_a_crawling_line_stays_bounded_and_right():
    window = Window(METRE)
    for i in range(50_000):
        window.add(i * 1e-4, math.sin(i * 1e-4))
    assert len(window.snapshot()["cells"]) <= CELLS + 2
    x = 49_999 * 1e-4
    assert window.mean()[0] == pytest.approx(math.cos(x - 1.0) - math.cos(x), abs=1e-4)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.005, 0.4), st.floats(-100, 100), st.booleans()),
        min_size=1,
        max_size=60,
    )
)
def test_agrees_with_a_plain_integral_on_every_prefix(readings):
    """Each value stands until the next good reading; with a gap between the two it stands for nothing."""
    window, x, points = Window(METRE), 0.0, []
    for spacing, value, gap in readings:
        x += spacing
        if gap:
            window.gap()
            points.append((x, None))
            continue
        window.add(x, value)
        points.append((x, value))
        pieces = [
            (max(a, x - 1.0), b, v)
            for (a, v), (b, w) in itertools.pairwise(points)
            if v is not None and w is not None and b > x - 1.0
        ]
        length = math.fsum(b - a for a, b, _ in pieces)
        first = next(at for at, v in points if v is not None)
        got = window.mean()
        if abs(x - first - 1.0) < 1e-6 or abs(length - 0.5) < 1e-6:
            continue  # too close to call with doubles
        if x - first < 1.0 or length < 0.5:
            assert got is None
        else:
            assert got is not None
            assert got[0] == pytest.approx(math.fsum((b - a) * v for a, b, v in pieces) / length, abs=1e-9)
