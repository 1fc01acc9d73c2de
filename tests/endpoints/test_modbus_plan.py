"""The planner against its promises, and against brute force."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metrepost.endpoints.modbus_plan import PlanError, Request, join, plan, span, split, width
from metrepost.endpoints.plan import ModbusEndpoint, ModbusPoint

TYPES = ["int16", "uint32", "float64"]


def point(register: int, type_: str = "uint16", tag: str = "", **settings: object) -> ModbusPoint:
    settings.setdefault("table", "input")
    return ModbusPoint(tag or f"g.r{register}", register=register, type=type_, **settings)  # type: ignore[arg-type]


def device(*points: ModbusPoint, **settings: object) -> ModbusEndpoint:
    return ModbusEndpoint("gauges", "127.0.0.1", 502, points, **settings)  # type: ignore[arg-type]


def shape(request: Request) -> tuple[str, int, int]:
    return request.table, request.register, request.count


def test_adjacent_registers_of_one_poll_become_one_request() -> None:
    (poll,) = plan(device(point(102, "int32"), point(100, "int32"), point(104)))
    assert [shape(request) for request in poll.requests] == [("input", 100, 5)]
    assert [p.register for p in poll.requests[0].points] == [100, 102, 104]


def test_gap_up_to_max_gap_is_spanned_and_a_wider_one_is_not() -> None:
    points = (point(0), point(9), point(19))
    (poll,) = plan(device(*points, max_gap=8))
    assert [shape(request) for request in poll.requests] == [("input", 0, 10), ("input", 19, 1)]


def test_each_poll_and_each_table_has_its_own_requests() -> None:
    polls = plan(device(point(0, poll=1.0), point(1, poll=0.02), point(2, table="holding", poll=0.02)))
    assert [(p.period, [shape(r) for r in p.requests]) for p in polls] == [
        (0.02, [("holding", 2, 1), ("input", 1, 1)]),
        (1.0, [("input", 0, 1)]),
    ]


def test_125_registers_fit_and_the_126th_does_not() -> None:
    assert [r.count for r in plan(device(*(point(n) for n in range(125))))[0].requests] == [125]
    assert [r.count for r in plan(device(*(point(n) for n in range(126))))[0].requests] == [125, 1]


def test_a_number_is_never_torn_between_two_requests() -> None:
    points = [point(n) for n in range(123)] + [point(123, "float64")]
    assert [shape(r) for r in plan(device(*points))[0].requests] == [("input", 0, 123), ("input", 123, 4)]


def test_2000_coils_fit_and_the_2001st_does_not() -> None:
    coils = [point(n, "bool", table="coil") for n in range(2001)]
    assert [r.count for r in plan(device(*coils))[0].requests] == [2000, 1]


def test_a_device_with_a_smaller_limit_is_obeyed() -> None:
    assert [r.count for r in plan(device(*(point(n) for n in range(40)), max_registers=16))[0].requests] == [16, 16, 8]


def test_no_gap_spans_a_cleared_register_even_of_another_poll() -> None:
    fast = point(104, "int32", clears_on_read=True, poll=0.02)
    polls = plan(device(point(100, poll=1.0), point(108, poll=1.0), fast))
    assert [shape(r) for r in polls[0].requests] == [("input", 104, 2)]
    assert [shape(r) for r in polls[1].requests] == [("input", 100, 1), ("input", 108, 1)]


def test_a_cleared_register_may_stand_beside_others_in_its_own_poll() -> None:
    (poll,) = plan(device(point(100), point(101, clears_on_read=True), point(102)))
    assert [shape(r) for r in poll.requests] == [("input", 100, 3)]


def test_a_cleared_register_of_another_table_is_no_hindrance() -> None:
    polls = plan(device(point(100), point(102), point(101, table="holding", clears_on_read=True)))
    assert ("input", 100, 3) in [shape(r) for p in polls for r in p.requests]


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([point(5, tag="a", poll=1.0), point(5, tag="b", poll=0.1, clears_on_read=True)], ["cleared by reading", "a, b"]),
        ([point(65535, "int32")], ["leaves the address space", "65534"]),
        ([point(-1)], ["address space"]),
        ([point(0, "int16", bit=16)], ["bit 16", "0 to 15"]),
        ([point(0, "float32", bit=1)], ["no bits"]),
        ([point(0, "bool", table="coil", bit=1)], ["one bit already"]),
        ([point(0, poll=0.0)], ["above 0 s"]),
    ],
)
def test_points_that_cannot_be_read_as_declared_are_refused(points: list[ModbusPoint], words: list[str]) -> None:
    with pytest.raises(PlanError) as caught:
        plan(device(*points))
    for word in words:
        assert word in str(caught.value)


@st.composite
def some_points(draw: st.DrawFn, most: int, reach: int) -> list[ModbusPoint]:
    """Points on distinct registers' starts; those that clear on read overlap nothing."""
    made: list[ModbusPoint] = []
    starts = draw(st.lists(st.integers(0, reach), min_size=1, max_size=most, unique=True))
    for number, register in enumerate(starts):
        new = point(register, draw(st.sampled_from(TYPES)), f"g.t{number}", clears_on_read=draw(st.booleans()))
        if any((new.clears_on_read or old.clears_on_read) and set(span(new)) & set(span(old)) for old in made):
            new = point(register, "int16", new.tag)
            if any(old.clears_on_read and register in span(old) for old in made):
                continue
        made.append(new)
    return made


@settings(max_examples=200, deadline=None)
@given(some_points(40, 400), st.integers(0, 12), st.integers(4, 125))
def test_every_point_is_covered_exactly_once_within_limits(points: list[ModbusPoint], max_gap: int, limit: int) -> None:
    (poll,) = plan(device(*points, max_gap=max_gap, max_registers=limit))
    assert sorted(p.tag for r in poll.requests for p in r.points) == sorted(p.tag for p in points)
    cleared = {register for p in points if p.clears_on_read for register in span(p)}
    for request in poll.requests:
        whole = range(request.register, request.register + request.count)
        wanted = {register for p in request.points for register in span(p)}
        assert 1 <= request.count <= limit
        assert wanted <= set(whole)
        assert whole[0] in wanted and whole[-1] in wanted, "no request reaches beyond its points"
        assert not (set(whole) - wanted) & cleared
        assert max((b - a - 1 for a, b in pairwise(sorted(wanted))), default=0) <= max_gap
    assert [p.register for r in poll.requests for p in r.points] == sorted(p.register for p in points)


def allowed(points: list[ModbusPoint], limit: int, max_gap: int, cleared: set[int]) -> bool:
    wanted = sorted({register for p in points for register in span(p)})
    gaps = [range(a + 1, b) for a, b in pairwise(wanted) if b > a + 1]
    return wanted[-1] - wanted[0] < limit and all(len(gap) <= max_gap and not cleared & set(gap) for gap in gaps)


def fewest(points: list[ModbusPoint], limit: int, max_gap: int, cleared: set[int]) -> int:
    """The smallest number of requests over all partitions of the points: every one is tried."""
    best = len(points)

    def place(rest: list[ModbusPoint], groups: list[list[ModbusPoint]]) -> None:
        nonlocal best
        if not rest:
            if all(allowed(group, limit, max_gap, cleared) for group in groups):
                best = min(best, len(groups))
            return
        for group in groups:
            group.append(rest[0])
            place(rest[1:], groups)
            group.pop()
        if len(groups) + 1 < best:
            place(rest[1:], [*groups, [rest[0]]])

    place(points, [])
    return best


@settings(max_examples=150, deadline=None)
@given(some_points(6, 14), st.integers(0, 3), st.integers(4, 8))
def test_no_partition_of_the_points_needs_fewer_requests(points: list[ModbusPoint], max_gap: int, limit: int) -> None:
    cleared = {register for p in points if p.clears_on_read for register in span(p)}
    assert len(join(points, limit, max_gap, cleared)) == fewest(points, limit, max_gap, cleared)


def test_a_refused_block_is_split_at_its_gaps_first_and_then_point_by_point() -> None:
    (whole,) = join([point(0), point(1), point(4)], 125, 8, set())
    at_gaps = split(whole)
    assert [shape(r) for r in at_gaps] == [("input", 0, 2), ("input", 4, 1)]
    assert [shape(r) for r in split(at_gaps[0])] == [("input", 0, 1), ("input", 1, 1)]


def test_points_that_share_a_cleared_register_are_never_split() -> None:
    shared = [point(0, tag=f"g.{bit}", bit=bit, clears_on_read=True) for bit in (0, 1)]
    (whole,) = join([*shared, point(1)], 125, 0, set())
    assert [shape(r) for r in split(whole)] == [("input", 0, 1), ("input", 1, 1)]
    assert [len(r.points) for r in split(whole)] == [2, 1]


def test_widths_are_those_of_the_types() -> None:
    assert [width(point(0, kind)) for kind in ("int16", "uint32", "float32", "int64", "float64", "bool")] == [1, 2, 2, 4, 4, 1]
