"""Dwell in a spark tester: arithmetic of the two published rules (rules from memory: UL 1581 §900 / IEC 62230; EN 50395)."""

import pytest

from metrepost.rules.dwell import nine_cycles, residence


@pytest.mark.parametrize(
    ("millimetres", "hertz", "metres_per_minute"),
    [(50, 60, 20.0), (100, 50, 33.3), (100, 60, 40.0), (300, 50, 100), (150, 1000, 1000), (100, 3000, 2000)],
)
def test_nine_cycles(millimetres, hertz, metres_per_minute):
    assert nine_cycles(millimetres / 1000, hertz) * 60 == pytest.approx(metres_per_minute, rel=2e-3)


def test_300_metres_a_minute_at_3_kilohertz_need_15_millimetres():
    assert nine_cycles(0.015, 3000) * 60 == pytest.approx(300)


def test_the_residence_rule_is_looser_at_mains_frequency():
    assert residence(0.1, 0.05) * 60 == pytest.approx(120)
    assert nine_cycles(0.1, 50) * 60 == pytest.approx(33.3, abs=0.1)
