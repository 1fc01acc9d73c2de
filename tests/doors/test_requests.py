"""What is said at a door: sound, or refused with every fault at once; who may do what; how often."""

import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.doors.permission import Peer, allowed
from metrepost.doors.plan import PEOPLES_ACTS, Grant
from metrepost.doors.rate import ACCOUNTS, Rates
from metrepost.doors.request import KEYS, METRES, NUMBERS, TEXTS, WORDS, Request, read
from metrepost.readings.act import ACTS

ALARMS = ["cold-lump.lump", "endpoint.gauges"]


def said(**keys):
    return read(msgspec.json.encode(keys), ALARMS)


def test_an_act_gets_time_and_name_from_the_daemon_only():
    request = said(act="shelve", alarm="endpoint.gauges", reason="gauge is cleaned", **{"for": 600})
    assert isinstance(request, Request)
    act = request.at(1000.0, "local:mara")
    assert (act.act, act.alarm, act.reason) == ("shelve", "endpoint.gauges", "gauge is cleaned")
    assert (act.time, act.until, act.who) == (1000.0, 1600.0, "local:mara")
    assert any("who" in fault for fault in said(act="note", text="x", who="somebody else"))
    assert any("time" in fault for fault in said(act="note", text="x", time=5.0))


def test_every_fault_is_told_at_once():
    faults = said(act="sample", text=5, value=True, metre="12", unit="", extra=1)
    assert [fault.partition(":")[0] for fault in faults] == ["text", "value", "metre", "unit", "'extra'"]


def test_a_wrong_name_is_answered_with_the_nearest():
    (fault,) = said(act="acknowledge", alarm="cold-lump.lumps")
    assert "nearest is cold-lump.lump" in fault
    (fault,) = said(act="acknowlege", alarm="cold-lump.lump")
    assert "nearest is acknowledge" in fault


@pytest.mark.parametrize("act", sorted(set(ACTS) - set(PEOPLES_ACTS)))
def test_acts_of_the_daemons_own_come_through_no_door(act):
    assert act in ("clock_step", "endpoint_up", "endpoint_down")
    assert "is no act of people" in said(act=act, alarm=ALARMS[0], reason="x")[0]


def test_there_is_a_table_for_each_act():
    assert set(KEYS) == set(PEOPLES_ACTS) <= set(ACTS)
    assert set().union(*(must | may for must, may in KEYS.values())) == NUMBERS.keys() | TEXTS.keys()


@pytest.mark.parametrize(
    "line",
    [b"", b"\n", b"[]", b"null", b'{"act": 5}', b"\xff", b"[" * 16_000, b'{"act":"note","text":"a\\u0000b"}', b'{"act":"note","text":""}',
     b'{"act":"scrap","from":5,"to":5}', b'{"act":"scrap","from":1e999,"to":5}', b'{"act":"drop_seen","metre":1e10}',
     b'{"act":"drop_seen","metre":1' + b"0" * 5000 + b"}", b'{"act":"sample","text":"x","unit":"m","value":1' + b"0" * 400 + b"}",
     b'{"act":"shelve","alarm":"endpoint.gauges","reason":"x","for":0}'],
)  # fmt: skip
def test_nonsense_is_refused(line):
    assert isinstance(read(line, ALARMS), list)


ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)
KEY = st.sampled_from([*NUMBERS, *TEXTS, "who", "time"]) | st.text(max_size=8)


@given(st.binary(max_size=300) | st.builds(lambda act, keys: msgspec.json.encode({**keys, "act": act}),
                                           st.sampled_from(ACTS) | st.text(max_size=8), st.dictionaries(KEY, ANY, max_size=6)))  # fmt: skip
def test_whatever_is_said_gives_a_sound_request_or_faults(line):
    request = read(line, ALARMS)
    if isinstance(request, list):
        assert request
        assert all(fault and len(fault) < 800 for fault in request)
        return
    act = request.at(1000.0, "local:mara")
    assert act.act in PEOPLES_ACTS
    assert act.who == "local:mara"
    assert act.endpoint == ""
    assert not act.alarm or act.alarm in ALARMS
    assert max(len(act.text), len(act.reason)) <= WORDS
    for number in (act.metre, act.start, act.end):
        assert number is None or abs(number) <= METRES
    assert act.value is None or math.isfinite(act.value)


def test_nobody_may_anything_unasked():
    grants = [Grant("desk", ("mara",), (), ("note",)), Grant("shift", (), ("operators",), ("acknowledge",))]
    assert allowed(Peer(1000, "mara", ()), grants) == {"note"}
    assert allowed(Peer(1000, "mara", ("operators",)), grants) == {"note", "acknowledge"}
    assert allowed(Peer(1001, "ole", ("users",)), grants) == frozenset()
    assert allowed(Peer(0, "root", ("root",)), grants) == frozenset()


def test_a_bucket_for_each_account_and_no_more_buckets_than_fit():
    rates = Rates(rate=2.0, burst=3.0)
    assert [rates.take(1, 0.0) for _ in range(5)] == [True, True, True, False, False]
    assert rates.take(2, 0.0), "another account has its own"
    assert [rates.take(1, 1.0) for _ in range(3)] == [True, True, False]
    for uid in range(10_000):
        rates.take(uid, 2.0)
    assert len(rates._left) <= ACCOUNTS
