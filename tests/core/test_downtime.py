"""What nobody looked at is a gap, also when it was the daemon that was away; and the metre of a decision is that of its moment."""

import pytest

from support_oracles import Piece, live

BIT = {"kind": "bit", "class": "equipment", "reads": "gauge.one", "on_delay": "0.55 s", "off_delay": "9.05 s"}
CONDITION = {"kind": "condition", "class": "process", "expression": 'value["gauge.one"] > 0.5', "off_delay": "9.05 s"}
BAND = {"kind": "band", "class": "process", "reads": "gauge.one", "high": {"at": "0.5"}, "off_delay": "9.05 s"}
RATE = {
    "kind": "rate",
    "class": "process",
    "reads": "gauge.one",
    "over": "0.5 s",
    "rising": {"at": "0.1 1/s"},
    "off_delay": "9.05 s",
}
MEAN = {"kind": "band", "class": "process", "reads": "gauge.one", "high": {"at": "0.5"}, "over": "10 s"}


def on(tenths, **more):
    return Piece(tenths, 60.0, {"gauge.one": [(1.0, "good")]}, **more)


def off(tenths, **more):
    return Piece(tenths, 60.0, {"gauge.one": [(0.0, "good")]}, **more)


def rising(tenths):
    return [Piece(1, 60.0, {"gauge.one": [(k / 10, "good")]}) for k in range(tenths)]


@pytest.mark.parametrize(
    ("table", "before"),
    [(BIT, [on(20)]), (CONDITION, [on(20)]), (BAND, [on(20)]), (RATE, rising(20))],
    ids=lambda x: str(x)[:20],
)
def test_downtime_does_not_count_towards_an_off_delay(table, before):
    _, told = live({"it": table}, [*before, off(20), off(60, restart=8.0), off(30)])
    raised, returned = [each for each in told if each.alarm.startswith("it.")]
    assert raised.word == "raised"
    assert returned.word == "returned"
    # 9.05 s of looking, and the 8 s of downtime beside them
    assert returned.decided - returned.onset == pytest.approx(9.05 + 8.0, abs=0.6)  # a slope needs points anew


def test_downtime_weighs_nothing_in_a_mean_over_time():
    """5.9 s of 1 and 8 s of nobody looking; the value before the downtime does not stand through it."""
    _, told = live({"it": MEAN}, [off(70), on(10), off(20, restart=8.0), off(70)])
    assert [each for each in told if each.alarm.startswith("it.")] == []


def test_a_return_is_decided_where_the_cable_is_by_then():
    moments, told = live({"it": BIT | {"off_delay": "2.05 s"}}, [on(20), off(40)])
    (returned,) = [each for each in told if each.word == "returned"]
    assert returned.decided - returned.onset == pytest.approx(2.1)
    assert returned.decided_metre - returned.metre == pytest.approx(2.1, abs=0.05)  # 60 m/min
    assert returned.decided_metre == pytest.approx(next(m.at["gauge"] for m in moments if m.now >= returned.decided - 1e-4))
