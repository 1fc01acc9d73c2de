"""Which raisings of two rule sets are one and the same: worked by hand."""

from metrepost.recordings.compare import compare
from metrepost.recordings.rehearsal import AlarmTally, Raised


def raised(metre, start=None, end=None, uncertainty=0.05, decided=0.0):
    return Raised(metre, start, end, uncertainty, "2026-01-31T08:15:00Z", decided, 4.9, "mm")


def told(*raisings, alarm="a.high"):
    return {alarm: AlarmTally(alarm, "product", "high", False, list(raisings))}


def test_pieces_that_touch_within_both_uncertainties_are_one():
    before = told(raised(10.0, 9.9, 10.1), raised(20.0), raised(30.0))
    after = told(raised(10.15, 10.15, 10.3), raised(20.2), raised(40.0))
    (one,) = compare(before, after)
    assert (one.before, one.after, one.same) == (3, 3, 1)
    assert [r.metre for r in one.added] == [20.2, 40.0]
    assert [r.metre for r in one.removed] == [20.0, 30.0]


def test_each_raising_matches_once():
    (one,) = compare(told(raised(10.0)), told(raised(10.0), raised(10.01)))
    assert (one.same, len(one.added), one.removed) == (1, 1, [])


def test_without_a_metre_the_time_counts():
    (one,) = compare(told(raised(None, decided=100.0)), told(raised(None, decided=109.0), raised(None, decided=130.0)))
    assert (one.same, len(one.added)) == (1, 1)


def test_an_alarm_of_one_rule_set_only_is_listed():
    added, removed = compare(told(raised(1.0), alarm="b.low"), told(raised(1.0), alarm="a.high"))
    assert (added.alarm, added.before, added.after) == ("a.high", 0, 1)
    assert (removed.alarm, removed.before, removed.after) == ("b.low", 1, 0)
