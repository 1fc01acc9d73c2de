import math
from datetime import UTC, datetime, timedelta

import pytest
from asyncua import ua

from metrepost.endpoints.opcua_clock import ServerClock
from metrepost.endpoints.opcua_decode import Moment, decode, overflowed, quality_of
from metrepost.endpoints.opcua_nodes import NodeError, resolve
from metrepost.endpoints.opcua_subscription import following, status_name
from metrepost.endpoints.plan import OpcUaPoint
from metrepost.readings import BAD, GOOD, UNCERTAIN

NOW = 1_800_000_000.0
MOMENT = Moment(received=NOW, doubt=0.1)
POINT = OpcUaPoint("s.t", "i=1")


def stamp(seconds):
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)


def value_of(value, status=0, source=NOW - 0.05, server=None, variant=None):
    return ua.DataValue(
        None if value is None else ua.Variant(value, variant),
        StatusCode=ua.StatusCode(status),
        SourceTimestamp=None if source is None else stamp(source),
        ServerTimestamp=None if server is None else stamp(server),
    )


@pytest.mark.parametrize(
    ("value", "expected"),
    [(True, 1.0), (False, 0.0), (7, 7.0), (-3.25, -3.25), (2**63, float(2**63))],
)
def test_numbers_and_booleans_become_floats(value, expected):
    reading = decode(POINT, value_of(value), MOMENT, status_name)
    assert (reading.value, reading.quality, reading.reason) == (expected, GOOD, "")


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("12.5", "not a number"),
        (b"1", "not a number"),
        ([1.0, 2.0], "not a number"),
        (stamp(NOW), "not a number"),
        (math.nan, "not a number"),
        (math.inf, "infinite"),
        (-math.inf, "infinite"),
        (None, "no value"),
    ],
)
def test_what_is_no_finite_number_is_bad(value, reason):
    reading = decode(POINT, value_of(value), MOMENT, status_name)
    assert math.isnan(reading.value)
    assert (reading.quality, reading.reason) == (BAD, reason)


# codes and names: OPC 10000-6 A.2, StatusCode.csv (from memory)
@pytest.mark.parametrize(
    ("code", "quality", "reason"),
    [
        (0x00000000, GOOD, ""),
        (0x00960000, GOOD, "GoodLocalOverride"),
        (0x40900000, UNCERTAIN, "UncertainLastUsableValue"),
        (0x40930000, UNCERTAIN, "UncertainSensorNotAccurate"),
        (0x808C0000, BAD, "BadSensorFailure"),
        (0x80310000, BAD, "BadNoCommunication"),
    ],
)
def test_status_becomes_quality_with_its_name(code, quality, reason):
    reading = decode(POINT, value_of(5.0, status=code), MOMENT, status_name)
    assert (reading.quality, reading.reason) == (quality, reason)
    assert math.isnan(reading.value) == (quality is BAD)


def test_reserved_severity_is_bad():
    """OPC 10000-4, 7.39: clients treat severity 11 as bad."""
    assert quality_of(0xC0000000) is BAD


def test_overflow_bit_is_seen_and_does_not_hide_the_name():
    code = 0x40900000 | 0x0480
    assert overflowed(code)
    assert not overflowed(0x00000400)
    assert decode(POINT, value_of(5.0, status=code), MOMENT, status_name).reason == "UncertainLastUsableValue"


def test_scale_offset_range_and_latency():
    point = OpcUaPoint("s.t", "i=1", scale=0.5, offset=1.0, latency=0.02, valid_low=0.0, valid_high=10.0)
    good = decode(point, value_of(4), MOMENT, status_name)
    assert (good.value, good.quality) == (3.0, GOOD)
    assert good.time == pytest.approx(NOW - 0.05 - 0.02, abs=1e-6)
    wrong = decode(point, value_of(40), MOMENT, status_name)
    assert (wrong.value, wrong.quality, wrong.reason) == (21.0, BAD, "range")


@pytest.mark.parametrize(
    ("source", "server", "time", "doubt", "quality"),
    [
        (NOW - 0.05, None, NOW - 0.05, 0.0, GOOD),
        (NOW + 0.5, None, NOW + 0.5, 0.0, GOOD),
        (None, NOW - 0.02, NOW - 0.02, 0.1, GOOD),
        (None, None, NOW, 0.1, GOOD),
        (NOW - 61.0, None, NOW, 0.1, UNCERTAIN),
        (NOW + 1.1, None, NOW, 0.1, UNCERTAIN),
    ],
)
def test_which_time_is_believed(source, server, time, doubt, quality):
    reading = decode(POINT, value_of(1.0, source=source, server=server), MOMENT, status_name)
    assert reading.time == pytest.approx(time, abs=1e-6)
    assert reading.time_uncertainty == pytest.approx(doubt)
    assert (reading.quality, reading.reason) == (quality, "source time" if quality is UNCERTAIN else "")


def test_first_value_of_a_subscription_never_lies_behind_the_next():
    """It was set long ago; the next one was stamped between the subscription and the message that brought both."""
    moment = Moment(received=NOW, doubt=0.1, unchanged_before=NOW - 0.2, first=True)
    first = decode(POINT, value_of(75, source=NOW - 86_400.0), moment, status_name)
    second = decode(POINT, value_of(76, source=NOW - 0.006), MOMENT, status_name)
    assert first.time == NOW - 0.2
    assert first.time < second.time < NOW


def test_polled_value_set_long_ago_holds_now():
    first = Moment(received=NOW, doubt=0.1, unchanged_before=NOW - 0.2)
    reading = decode(POINT, value_of(75, source=NOW - 86_400.0), first, status_name)
    assert (reading.time, reading.quality) == (NOW, GOOD)


def test_value_that_waited_out_an_outage_keeps_its_time():
    late = Moment(received=NOW, doubt=0.1, backlog=30.0)
    assert decode(POINT, value_of(1.0, source=NOW - 85.0), late, status_name).quality is GOOD
    unstamped = decode(POINT, value_of(1.0, source=None), late, status_name)
    assert unstamped.time_uncertainty == pytest.approx(30.1)


def test_a_wrong_server_clock_is_said_with_every_source_time():
    clock = ServerClock()
    for k in range(20):
        clock.hear(0.4 - 0.001 * (k % 7), NOW + k)
    assert clock.ahead == pytest.approx(0.4)
    reading = decode(POINT, value_of(1.0), Moment(NOW, 0.1, clock_doubt=clock.doubt), status_name)
    assert reading.time_uncertainty == pytest.approx(0.4)


def test_the_clock_estimate_forgets_and_takes_no_absurd_stamp():
    clock = ServerClock()
    clock.hear(5.0, NOW)
    clock.hear(-1e9, NOW + 1)
    for k in range(200):
        clock.hear(-2.0, NOW + 2 + k)
    assert clock.ahead == pytest.approx(-2.0)
    assert ServerClock().doubt == 0.0


def test_sequence_numbers_wrap_past_zero():
    assert following(1) == 2
    assert following(0xFFFFFFFF) == 1


NAMESPACES = ["http://opcfoundation.org/UA/", "urn:northmere:core-3", "urn:odd;one"]


@pytest.mark.parametrize(
    ("node", "expected"),
    [
        ("nsu=urn:northmere:core-3;s=Trough.Temperature", "ns=1;s=Trough.Temperature"),
        ("nsu=urn:northmere:core-3;s=with;semi=colon", "ns=1;s=with;semi=colon"),
        ("nsu=urn:odd%3Bone;i=7", "ns=2;i=7"),
        ("ns=2;i=5", "ns=2;i=5"),
        ("i=2258", "i=2258"),
    ],
)
def test_node_ids_are_resolved(node, expected):
    assert resolve(node, NAMESPACES) == ua.NodeId.from_string(expected)


@pytest.mark.parametrize(
    ("node", "said"),
    [
        ("nsu=urn:elsewhere;s=A", "has: http://opcfoundation.org/UA/, urn:northmere:core-3"),
        ("ns=9;s=A", "0 to 2"),
        ("Trough.Temperature", "nsu=URI;s=NAME"),
        ("i=many", "nsu=URI;s=NAME"),
        ("svr=1;i=5", "nsu=URI;s=NAME"),
        ("g=no-guid", "nsu=URI;s=NAME"),
    ],
)
def test_wrong_node_ids_say_what_is_there_or_how_to_write_them(node, said):
    with pytest.raises(NodeError, match=r"node id|namespace") as caught:
        resolve(node, NAMESPACES)
    assert said in str(caught.value)
