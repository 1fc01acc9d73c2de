"""Whatever a device publishes: one reading a point, good with a finite number or saying why not."""

import math

import orjson
from hypothesis import given
from hypothesis import strategies as st

from metrepost.endpoints.mqtt_decode import Message, TopicDecoder
from metrepost.endpoints.plan import MqttPoint
from metrepost.readings import BAD
from support_oracles import examples

NOW = 1_790_000_000.0
keys = st.sampled_from(["d", "q", "t", "0", "-", "", "a/b", "m~n"])
leaves = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**63), 2**64 - 1),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=12),
    st.sampled_from(["good", "bad", "Uncertain", "2026-09-21T14:13:20Z", "2026-02-30T25:61:61.999999999+99:99"]),
    st.floats(NOW - 100, NOW + 100),
)
documents = st.recursive(
    leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=4), max_leaves=8
)
payloads = st.one_of(
    documents.map(orjson.dumps),
    st.binary(max_size=200),
    st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.from_regex(rb"\s*[+-]?[0-9]{1,400}\.?[0-9]*([eE][+-]?[0-9]{1,5})?\s*", fullmatch=True),
    st.integers(1, 100_000).map(lambda depth: b"[" * depth),
    st.integers(1, 2000).map(lambda depth: b'{"d":' * depth + b"1" + b"}" * depth),
    # numbers that JSON allows and float64 does not
    st.integers(300, 5000).map(lambda digits: b'{"d":1' + b"0" * digits + b"}"),
)
pointers = st.sampled_from(
    ["", "/d", "/q", "/t", "/0", "/-", "/d/0/d", "/", "/a~1b", "/m~0n", "/d/-", "/00", "/d/99999999999999999999"]
)


@examples(300)
@given(payloads, pointers, st.none() | pointers, st.none() | pointers, st.none() | st.just("good"), st.booleans())
def test_any_payload_becomes_a_reading(
    payload: bytes, pointer: str, quality: str | None, time: str | None, good: str | None, retained: bool
) -> None:
    point = MqttPoint("g.x", "t", pointer, quality, good, time)
    (reading,) = TopicDecoder([point], 0.1).readings(Message(payload, NOW, retained))
    assert math.isfinite(reading.value) or (math.isnan(reading.value) and reading.quality is BAD and reading.reason)
    assert NOW - 61 <= reading.time <= NOW + 1.2
    assert reading.time_uncertainty > 0
    assert len(reading.reason) < 300, "a device does not fill our logs"
