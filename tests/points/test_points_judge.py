"""What passes, and what makes a sign-off void."""

import math

import pytest

from metrepost.points.judge import changes, judge, valid_range
from support_points import point


@pytest.mark.parametrize(
    ("value", "quality", "accept", "verdict"),
    [
        (4.80, "good", False, "pass"),
        (4.81, "good", False, "pass"),  # the allowed difference itself passes, whatever binary makes of 4.81 - 4.80
        (4.79, "good", False, "pass"),
        (4.8101, "good", False, "fail"),
        (4.7899, "good", False, "fail"),
        (4.80, "uncertain", False, "fail"),
        (4.80, "uncertain", True, "pass"),
        (4.82, "uncertain", True, "fail"),
        (4.80, "bad", True, "fail"),
        (math.nan, "good", False, "fail"),
        (math.inf, "good", False, "fail"),
    ],
)
def test_a_reading_against_a_reference(value, quality, accept, verdict):
    found, why = judge(4.8, 0.01, value, quality, "", accept_uncertain=accept)
    assert found == verdict
    assert bool(why) == (verdict == "fail")


def test_nothing_is_allowed_means_equal():
    assert judge(1.0, 0.0, 1.0, "good", "", accept_uncertain=False)[0] == "pass"
    assert judge(1.0, 0.0, 0.0, "good", "", accept_uncertain=False)[0] == "fail"


@pytest.mark.parametrize(
    ("key", "other", "words"),
    [
        ("endpoint", "drives", "endpoint was gauges, is drives"),
        ("address", "h:503", "address was h:502, is h:503"),
        ("place", "unit 1, input 12", "source was unit 1, input 10, is unit 1, input 12"),
        ("decoding", "int32, words little", "decoding was int32, words big, is int32, words little"),
        ("scale", 0.001, "scale was 0.0001, is 0.001"),
        ("offset", -2.0, "offset was 0.0, is -2.0"),
        ("unit", "um", "unit was mm, is um"),
        ("valid_low", 0.5, "valid range was nothing, is 0.5 … open"),
        ("valid_high", 20.0, "valid range was nothing, is open … 20.0"),
        ("clears_on_read", True, "cleared by reading was no, is yes"),
        ("derived", True, "computed was no, is yes"),
    ],
)
def test_every_key_of_the_wiring_counts(key, other, words):
    assert changes(point(), point(**{key: other})) == (words,)


def test_the_same_wiring_holds():
    assert changes(point(), point()) == ()


def test_ranges_as_people_write_them():
    assert valid_range(point(valid_low=0.5, valid_high=20.0)) == "0.5 … 20"
    assert valid_range(point(valid_low=0.5)) == "0.5 …"
    assert valid_range(point()) == ""
