"""Reels: made at the cut from whole metres, each station's cable by its metre."""

import itertools
import json

import pytest

from metrepost.configuration.judgement import CELL_BYTES
from metrepost.line.plan import RollupPlan
from metrepost.readings import BAD, Tag
from metrepost.rollups import RollupBook
from support_rollups import BORE, START, book, exact, measured, metres, run

NAN = float("nan")


def reels(out):
    return [item.data for item in out if item.data.span == "reel"]


def test_a_reel_ends_at_the_cut_and_the_next_begins_there():
    """The station has seen 30 m when the cable is cut at 20.4 m: the rest belongs to the next reel."""
    b = book()
    values = [0.0, *[1.0 if i < 204 else 3.0 for i in range(300)]]
    run(b, values)
    (first,) = reels(b.cut(20.4, "R1", START + 30.0))
    assert (first.reel, first.start, first.end, first.n) == ("R1", 0.0, 20.4, 204)
    assert metres(first) == pytest.approx(20.4, abs=1e-12)
    # the metre in which the cut lies is shared out as alike throughout: 0.4 m of (0.4 * 1.0 + 0.6 * 3.0)
    assert first.mean == pytest.approx((20.0 * 1.0 + 0.4 * 2.2) / 20.4)
    assert first.closed == "2026-05-28T20:27:00.400000Z"
    out = [b.reading(measured(30.0 + 0.1 * i, 30.0 + 0.1 * i, 3.0), "p") for i in range(1, 101)]
    assert not reels([item for part in out for item in part])
    (second,) = reels(b.cut(40.0, "R2", START + 40.0))
    assert (second.start, second.end, second.reel) == (20.4, 40.0, "R2")
    assert first.n + second.n == 400
    assert metres(second) == pytest.approx(19.6, abs=1e-12)


def test_a_reel_cut_on_a_metre_equals_the_direct_statistics():
    values = [4.8, *[4.8 + 0.001 * ((7 * i) % 23) for i in range(3000)]]
    b = book(limits={"p": (4.75, 4.85)})
    run(b, values)
    (r,) = reels(b.cut(200.0, "R1", START))
    mean, sd = exact([(x, 1.0) for x in values[1:2001]])
    assert r.n == 2000
    assert r.mean == pytest.approx(mean, rel=1e-12)
    assert r.sd == pytest.approx(sd, rel=1e-9)
    assert (r.min, r.max, r.first, r.last) == (min(values[1:2001]), max(values[1:2001]), values[1], values[2000])
    assert r.ppk == pytest.approx(min(4.85 - mean, mean - 4.75) / (3 * sd), rel=1e-9)
    means = [sum(values[1 + 10 * k : 11 + 10 * k]) / 10 for k in range(200)]
    within = sum(abs(b - a) for a, b in itertools.pairwise(means)) / 199 / 1.128
    assert r.cp == pytest.approx(0.10 / (6 * within), rel=1e-9)


def test_old_metres_are_merged_and_the_reel_is_the_same():
    values = [4.8, *[4.8 + 0.001 * ((7 * i) % 23) for i in range(3000)]]
    told = []
    for uncut in (5, 100_000):
        b = book(uncut=uncut, limits={"p": (4.75, 4.85)})
        run(b, values)
        told.append(reels(b.cut(297.3, "R1", START))[0])
    assert told[0] == told[1]


def test_a_cut_before_what_is_merged_already_is_declared():
    b = book(uncut=5)
    run(b, [1.0] * 301)
    (r,) = reels(b.cut(10.0, "R1", START))
    assert r.end == 25.0
    assert b.dropped["cut_behind"] == 15.0


def test_a_tag_that_has_not_answered_for_the_cut_metre_yet_is_waited_for():
    b = book()
    run(b, [1.0] * 101)  # to 10.0 m at 10 s
    assert b.cut(10.5, "R1", START + 10.0) == []
    b.tick(START + 10.5)
    out = b.reading(measured(11.5, 10.2, 1.0), "p")
    (r,) = reels(out)
    assert (r.end, r.metres_good) == pytest.approx((10.5, 10.5))


def test_a_tag_that_never_answers_is_not_waited_for_longer_than_the_grace():
    b = book()
    run(b, [1.0] * 101)
    b.cut(10.5, "R1", START + 10.0)
    assert b.tick(START + 12.0) == []
    (r,) = reels(b.tick(START + 13.0))
    assert (r.end, r.metres_good, r.metres_left_out) == pytest.approx((10.5, 10.0, 0.5))


def test_a_reel_of_which_a_tag_saw_nothing_is_not_told():
    b = book()
    assert b.cut(10.0, "R1", START) == []
    run(b, [1.0] * 101, first_metre=50.0)
    assert reels(b.cut(40.0, "R1", START)) == []
    assert len(reels(b.cut(55.0, "R2", START))) == 1
    assert reels(b.cut(55.0, "R2", START)) == []


def test_two_stations_answer_for_the_same_metres():
    hot = Tag(name="hot-gauge.diameter", station="hot-gauge", interval=0.1)
    b = RollupBook(RollupPlan(lengths=(), times=(), tags=(BORE.name, hot.name)), {BORE.name: BORE, hot.name: hot})
    for i in range(1001):
        b.reading(measured(0.1 * i + 60.0, 0.1 * i, 2.0, tag=hot.name), "p")
        b.reading(measured(0.1 * i, 0.1 * i, 1.0), "p")
    out = reels(b.cut(90.0, "R1", START))
    assert [(r.tag, r.start, r.end, r.mean) for r in out] == [(BORE.name, 0.0, 90.0, 1.0), (hot.name, 60.0, 90.0, 2.0)]


def test_reels_only_of_the_tags_that_are_named():
    """The others keep no metres apart: they would be most of what a line of thousands of tags keeps."""
    hot = Tag(name="hot-gauge.diameter", station="hot-gauge", interval=0.1)
    plan = RollupPlan(lengths=(("10m", 10.0),), times=(), tags=(BORE.name, hot.name), reels=(BORE.name,))
    b = RollupBook(plan, {BORE.name: BORE, hot.name: hot})
    out = []
    for i in range(1001):
        out += b.reading(measured(0.1 * i, 0.1 * i, 2.0, tag=hot.name), "p")
        out += b.reading(measured(0.1 * i, 0.1 * i, 1.0), "p")
    assert [r.tag for r in reels(b.cut(90.0, "R1", START))] == [BORE.name]
    assert sum(o.data.tag == hot.name for o in out) == 10, "its other rollups go on"
    kept = b.snapshot()["tags"]
    assert (len(kept[BORE.name]["uncut"]["cells"]) > 0, kept[hot.name]["uncut"]) == (True, None)


def test_what_a_kept_metre_costs_is_what_check_reckons_with():
    """A place that numbers of any size stand in: the estimate is good to a third."""
    b = book()
    for i in range(4001):
        b.reading(measured(12_345.678 + 0.1 * i, 0.1 * i, 4.8 + 0.00123 * (i % 17)), "K75-480")
    cells = b.snapshot()["tags"][BORE.name]["uncut"]["cells"]
    assert len(cells) >= 398
    assert len(json.dumps(cells, separators=(",", ":"))) / len(cells) == pytest.approx(CELL_BYTES, rel=0.34)


def test_a_restart_keeps_the_reel():
    b = book()
    run(b, [1.0] * 101)
    b.cut(10.5, "R1", START + 10.0)
    again = book()
    again.restore(json.loads(json.dumps(b.snapshot())))
    (r,) = reels(again.reading(measured(11.5, 10.2, 1.0), "p"))
    assert (r.start, r.end, r.n) == (0.0, 10.5, 100)


def test_bad_metres_of_a_reel_are_told():
    b = book()
    b.reading(measured(0.0, 0.0), "p")
    b.reading(measured(4.0, 0.1, 1.0), "p")
    b.reading(measured(6.0, 0.2, NAN, BAD), "p")
    b.reading(measured(9.0, 0.3, 1.0), "p")
    (r,) = reels(b.cut(8.0, "R1", START))
    assert (r.metres_good, r.metres_bad, r.metres_left_out) == pytest.approx((6.0, 2.0, 0.0))


def test_a_hole_of_many_kilometres_is_left_out_of_the_reel_it_lies_in():
    b = book()
    run(b, [1.0] * 101)
    b.reading(measured(30_000.0, 8000.0, 1.0), "p")
    b.reading(measured(30_001.0, 8000.1, 1.0), "p")
    (r,) = reels(b.cut(30_001.0, "R1", START + 8000.1))
    assert metres(r) == pytest.approx(30_001.0)
    # the reading behind the hole stands for three intervals of it
    assert r.metres_good == pytest.approx(11.0 + 0.3 / 7990.0 * 29_990.0)


def test_a_hole_right_behind_the_cut_belongs_to_the_next_reel():
    b = book()
    run(b, [1.0] * 101)
    (first,) = reels(b.cut(10.0, "R1", START + 10.0))
    b.reading(measured(30_000.0, 8000.0, 1.0), "p")
    b.reading(measured(30_001.0, 8000.1, 1.0), "p")
    (second,) = reels(b.cut(30_001.0, "R2", START + 8000.1))
    assert (first.end, second.start, second.end) == (10.0, 10.0, 30_001.0)
    assert metres(second) == pytest.approx(29_991.0)
