import math

import pytest

from metrepost.commands.board import BIN, MARKS, Board, Column, Trace
from metrepost.events import Event, ReclassifiedEvent, Rollup, RollupOut
from metrepost.readings import BAD
from support_commands import DIE0, LUMP, cable, cut, diameter, drop, facts, flaw, plan, scrap, spark, state


def board(at: float = 0.0, **changes: object) -> Board:
    made = Board(plan())
    made.see(facts(at, **changes))
    return made


def test_traces_are_the_diameters_from_the_die_on_in_the_order_of_the_line() -> None:
    assert list(Board(plan()).traces) == ["hot-gauge.diameter", "cold-gauge.diameter"]


def test_distance_and_time_to_the_take_up() -> None:
    """120 m/min is 2 m/s; the take-up stands at metre 12314 (86 m behind the die, 2 m of them in the accumulator)."""
    assert board().distance(12_336.0) == (22.0, 11.0)
    assert board(at=20).distance(12_336.0) == (-18.0, -9.0)
    assert board(speed=0.0).distance(12_336.0) == (22.0, None)
    assert Board(plan()).distance(12_336.0) == (None, None)


def test_the_worst_comes_first_and_what_nobody_has_in_hand_before_what_somebody_has() -> None:
    b = board()
    for alarm, name, priority in [
        ("a.low", "unacknowledged", "low"),
        ("b.high", "acknowledged", "critical"),
        ("c.high", "unacknowledged", "medium"),
        ("d.high", "unacknowledged", "critical"),
    ]:
        b.note(state(alarm, name, priority=priority))
    assert [alarm.state.alarm for alarm in b.wrong()] == ["d.high", "c.high", "a.low", "b.high"]


def test_a_passed_flaw_goes_to_the_end_once_it_is_on_the_reel() -> None:
    b = board()
    b.note(state("flaw.lump", "returned_unacknowledged", priority="critical"))
    b.note(state("water.high", priority="low"))
    assert [alarm.state.alarm for alarm in b.wrong()] == ["flaw.lump", "water.high"]
    b.see(facts(20))
    assert [alarm.state.alarm for alarm in b.wrong()] == ["water.high", "flaw.lump"]


@pytest.mark.parametrize("name", ["shelved", "suppressed_by_design", "out_of_service"])
def test_an_alarm_that_is_held_is_not_wrong_but_listed(name: str) -> None:
    b = board()
    b.note(state("a.high", name, active=True))
    assert b.wrong() == []
    assert [held.alarm for held in b.held()] == ["a.high"]


def test_normal_and_trial_alarms_are_nowhere() -> None:
    b = board()
    b.note(state("a.high"))
    b.note(state("a.high", "normal"))
    b.note(state("b.high", trial=True))
    assert b.wrong() == []
    assert b.held() == []


def test_alarms_of_equipment_do_not_travel_to_the_reel() -> None:
    b = board()
    b.note(state("trough-water.high", class_="equipment"))
    assert b.wrong()[0].distance is None


def test_marks_lie_where_the_events_say() -> None:
    b = board()
    for event in (flaw(100.0), flaw(101.0, "unwitnessed"), flaw(102.0, "neck"), drop(103.0), spark(104.0), cut(105.0)):
        b.note(event)
    assert [list(b.marks(m, m + 1)) for m in range(100, 106)] == [
        ["lump"],
        ["unwitnessed"],
        ["neck"],
        ["drop"],
        ["spark"],
        ["cut"],
    ]


def test_reclassified_drops_become_lumps_and_leave_the_list() -> None:
    b = board()
    b.note(drop(103.0))
    b.note(drop(110.0))
    b.note(Event(0.0, ReclassifiedEvent(rule="r", station="s", reason="", pieces=[[102.9, 103.1]], decided="", explanation="")))
    assert list(b.marks(103.0, 103.1)) == ["lump"]
    assert list(b.marks(110.0, 110.1)) == ["drop"]
    assert [d.metre for d in b.drops] == [110.0]
    assert (b.drops_seen, b.reclassified) == (2, 1)


def test_scrap_is_known_by_metre() -> None:
    b = board()
    b.note(scrap(50.0, 60.0))
    assert b.scrap(59.9, 61.0)
    assert not b.scrap(60.0, 61.0)


def test_a_lump_stands_out_at_the_same_metre_in_both_traces() -> None:
    b = board()
    for m in cable(0.0):
        b.note(m)
    for trace in b.traces.values():
        centre = trace.centre()
        column = trace.over(LUMP - 0.5, LUMP + 0.5)
        assert column is not None
        assert column.high is not None
        assert centre is not None
        assert column.high - centre > 0.08


def test_a_piece_nobody_looked_at_is_told_from_one_not_reached() -> None:
    trace = Trace("t", "mm", 100.0)
    trace.add(diameter("cold-gauge", 10.0, math.nan, BAD))
    assert trace.over(10.0, 10.25) == Column()
    assert trace.over(20.0, 20.25) is None
    assert trace.last is None


def test_bad_readings_do_not_spoil_the_good_ones_beside_them() -> None:
    trace = Trace("t", "mm", 100.0)
    trace.add(diameter("cold-gauge", 10.0, 4.8))
    trace.add(diameter("cold-gauge", 10.1, math.nan, BAD))
    trace.add(diameter("cold-gauge", 10.2, 4.9))
    assert trace.over(10.0, 10.25) == Column(4.8, 4.9, pytest.approx(4.85))


def test_memory_is_bounded_over_a_long_run() -> None:
    b = board()
    trace = b.traces["cold-gauge.diameter"]
    for metre in range(0, 200_000, 10):
        trace.add(diameter("cold-gauge", float(metre), 4.8))
        b.note(drop(float(metre)))
    assert len(trace._bins) <= 4 * b.window / BIN + 1
    assert len(b._marks) == MARKS
    assert len(b.drops) == 50
    assert b.drops_seen == 20_000


def test_a_metre_that_begins_anew_begins_a_new_trace() -> None:
    trace = Trace("t", "mm", 100.0)
    trace.add(diameter("cold-gauge", 90_000.0, 4.8))
    trace.add(diameter("cold-gauge", 1.0, 4.7))
    assert trace.centre() == 4.7


def test_the_tolerance_is_that_of_the_product_in_make() -> None:
    found = board().tolerance()
    assert found is not None
    assert (found.target, found.tolerance) == (4.80, 0.05)
    assert board(product="another").tolerance() is None


def test_the_accumulator_lengthens_the_way_to_the_take_up() -> None:
    assert board().take_up_distance() == pytest.approx(86.0)
    assert board(metre_at_take_up=DIE0 - 90.0).take_up_distance() == pytest.approx(90.0)


def test_the_newest_bucket_of_cable_is_kept_by_tag() -> None:
    b = board()
    fields = {
        "unit": "mm",
        "opened": "",
        "closed": "",
        "n": 1,
        "metres_good": 100.0,
        "metres_uncertain": 0.0,
        "metres_bad": 0.0,
    }
    for end in (100.0, 200.0):
        data = Rollup(
            span="100m", station="cold-gauge", tag="diameter", start=end - 100, end=end, metres_left_out=0.0, **fields
        )
        b.note(RollupOut(0.0, data))
    assert b.latest["cold-gauge.diameter"].end == 200.0
