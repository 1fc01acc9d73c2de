"""Messages to readings: value, quality, time."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.endpoints.mqtt_decode import LARGEST, Message, Nothing, TopicDecoder, stamp
from metrepost.endpoints.plan import MqttPoint
from metrepost.readings import BAD, GOOD, UNCERTAIN, Reading

NOW = 1_790_000_000.0  # 2026-09-21T14:13:20Z


def read(payload: bytes | str, *, retained: bool = False, **keys: object) -> Reading:
    data = payload.encode() if isinstance(payload, str) else payload
    point = MqttPoint("g.x", "t", **keys)  # type: ignore[arg-type]
    (reading,) = TopicDecoder([point], 0.1).readings(Message(data, NOW, retained))
    return reading


@pytest.mark.parametrize(
    ("payload", "value"),
    [("4.8", 4.8), (" -3 ", -3.0), ("+4.80", 4.8), (".5", 0.5), ("007", 7.0), ("1e3", 1000.0), ("true", 1.0), ("false", 0.0)],
)
def test_plain_numbers(payload: str, value: float) -> None:
    reading = read(payload)
    assert (reading.value, reading.quality, reading.time, reading.time_uncertainty) == (value, GOOD, NOW, 0.1)


@pytest.mark.parametrize(
    ("payload", "keys", "reason"),
    [
        ("", {}, "empty payload"),
        ("  ", {}, "empty payload"),
        ("hello", {}, "payload is no JSON"),
        ("4,8", {}, "payload is no JSON"),
        ("4.8 mm", {}, "payload is no JSON"),
        ("NaN", {}, "payload is no JSON"),
        ("1_000", {}, "payload is no JSON"),
        (b"\xff\xfe4", {}, "payload is no JSON"),
        ("[" * 5000, {}, "payload is no JSON"),
        ("1" * (LARGEST + 1), {}, f"payload of {LARGEST + 1} bytes"),
        ("1e999", {}, "too large"),
        ('{"d": 4.8}', {}, 'not a number: {"d":4.8}'),
        ('{"d": "4.8"}', {"pointer": "/d"}, "not a number: 4.8"),
        ('{"d": null}', {"pointer": "/d"}, "no value"),
        ('{"d": 4.8}', {"pointer": "/e"}, "nothing at /e"),
        ("4.8", {"pointer": "/d"}, "nothing at /d"),
        ('{"d":' * 300 + "1" + "}" * 300, {"pointer": "/d"}, "not a number: a value nested too deeply"),
        ("4.8", {"scale": 1e308, "offset": 1e308}, "too large"),
        ("4.8", {"valid_high": 4.0}, "range"),
        ('{"d": 1}', {"pointer": "/d", "quality_pointer": "/q"}, "nothing at /q"),
        ('{"d": 1, "q": "bad"}', {"pointer": "/d", "quality_pointer": "/q"}, "quality bad"),
        ('{"d": 1, "q": "BadSensorFailure"}', {"pointer": "/d", "quality_pointer": "/q"}, "quality BadSensorFailure"),
        ('{"d": 1, "q": false}', {"pointer": "/d", "quality_pointer": "/q"}, "quality false"),
        ('{"d": 1, "q": 0}', {"pointer": "/d", "quality_pointer": "/q"}, "quality not understood: 0"),
        ('{"d": 1, "q": "OK"}', {"pointer": "/d", "quality_pointer": "/q"}, "quality not understood: OK"),
        ('{"d": 1, "q": 4}', {"pointer": "/d", "quality_pointer": "/q", "quality_good": "0"}, "quality 4"),
    ],
)
def test_what_cannot_be_read_is_bad_and_says_why(payload: bytes | str, keys: dict[str, object], reason: str) -> None:
    reading = read(payload, **keys)
    assert (reading.quality, reading.reason) == (BAD, reason)
    assert math.isnan(reading.value) or reason == "range"


@pytest.mark.parametrize(
    ("said", "good", "quality", "reason"),
    [
        ('"good"', None, GOOD, ""),
        ('"Good"', None, GOOD, ""),
        ("true", None, GOOD, ""),
        ('"UncertainLastUsableValue"', None, UNCERTAIN, "quality UncertainLastUsableValue"),
        ('"OK"', "OK", GOOD, ""),
        ("0", "0", GOOD, ""),
        ("192", "192", GOOD, ""),
    ],
)
def test_quality_of_the_device(said: str, good: str | None, quality: object, reason: str) -> None:
    reading = read(f'{{"d": 4.8, "q": {said}}}', pointer="/d", quality_pointer="/q", quality_good=good)
    assert (reading.value, reading.quality, reading.reason) == (4.8, quality, reason)


@pytest.mark.parametrize(
    ("text", "seconds", "step"),
    [
        # RFC 3339, section 5.8: the examples, without the leap second (which no clock here can show)
        ("1985-04-12T23:20:50.52Z", 482196050.52, 0.01),
        ("1996-12-19T16:39:57-08:00", 851042397.0, 1.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13, 0.01),
        ("2026-09-21t14:13:20z", NOW, 1.0),
        (1_790_000_000, NOW, 1.0),
        (1_790_000_000_000, NOW, 1e-3),
        (1_790_000_000_000_000, NOW, 1e-6),
        (1_790_000_000_000_000_000, NOW, 1e-9),
        (1_790_000_000.25, NOW + 0.25, 1e-3),
    ],
)
def test_stamps(text: object, seconds: float, step: float) -> None:
    found = stamp(text)
    assert found[0] == pytest.approx(seconds, abs=1e-6)
    assert found[1] == pytest.approx(step)


@pytest.mark.parametrize(
    "text", ["2026-09-21 14:13:20", "14:13:20Z", "2026-13-01T00:00:00Z", "", None, True, 12345, -1, 1e21, [1]]
)
def test_what_is_no_stamp(text: object) -> None:
    """A time without a zone may be anybody's; seconds since the device was switched on are no time."""
    with pytest.raises(Nothing):
        stamp(text)


def test_source_time_is_used_with_its_uncertainty_and_latency() -> None:
    reading = read(f'{{"d": 4.8, "t": {int(NOW * 1000) - 250}}}', pointer="/d", time_pointer="/t", latency=0.05)
    assert reading.time == pytest.approx(NOW - 0.3)
    assert reading.time_uncertainty == pytest.approx(0.101)
    assert reading.quality is GOOD


@pytest.mark.parametrize("seconds", [NOW - 61.0, NOW + 0.2, 5.0])
def test_a_source_time_that_cannot_be_believed_is_replaced_and_told(seconds: float) -> None:
    reading = read(f'{{"d": 4.8, "t": {int(seconds * 1e6)}}}', pointer="/d", time_pointer="/t")
    assert (reading.value, reading.time, reading.quality, reading.reason) == (4.8, NOW, UNCERTAIN, "source time")


def test_a_retained_message_is_uncertain() -> None:
    assert (read("4.8", retained=True).quality, read("4.8", retained=True).reason) == (UNCERTAIN, "retained")
    old = read('{"d": 4.8, "t": "2026-09-21T13:00:00Z"}', retained=True, pointer="/d", time_pointer="/t")
    assert (old.value, old.reason, old.time) == (4.8, "retained, source time", NOW)


def test_one_message_gives_every_tag_of_its_topic_in_order() -> None:
    points = [MqttPoint("g.x", "t", "/x"), MqttPoint("g.y", "t", "/y", scale=0.001), MqttPoint("g.z", "t", "/z")]
    readings = TopicDecoder(points, 0.1).readings(Message(b'{"y": 4801, "x": 4.8}', NOW))
    assert [(one.tag, one.value) for one in readings[:2]] == [("g.x", 4.8), ("g.y", pytest.approx(4.801))]
    assert readings[2].reason == "nothing at /z"


@given(st.binary(max_size=200), st.sampled_from(["", "/a", "/0", "/a/0/b"]))
def test_nothing_that_a_device_can_send_raises(payload: bytes, where: str) -> None:
    reading = read(payload, pointer=where, quality_pointer="/q", time_pointer="/t")
    assert reading.quality is BAD or math.isfinite(reading.value)


@given(
    st.dictionaries(
        st.sampled_from("dqt"),
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text() | st.lists(st.none()),
    )
)
def test_nor_any_json(document: dict[str, object]) -> None:
    import json

    read(json.dumps(document), pointer="/d", quality_pointer="/q", time_pointer="/t")
