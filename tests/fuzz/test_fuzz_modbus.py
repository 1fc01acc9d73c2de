"""Whatever bytes a Modbus device, a gateway or noise sends: a verdict, and readings that are good or say why not."""

import math

from hypothesis import given
from hypothesis import strategies as st

from metrepost.endpoints import modbus_frame, modbus_rtu_frame
from metrepost.endpoints.modbus_decode import BlockDecoder, raw_text
from metrepost.endpoints.modbus_frame import Data, Expected, Incomplete, Nonsense, Refused
from metrepost.endpoints.modbus_plan import PlanError, join
from metrepost.endpoints.modbus_rtu_frame import crc, diagnose, late
from metrepost.endpoints.plan import ModbusPoint
from metrepost.readings import BAD
from support_oracles import examples

expected = st.builds(
    Expected, st.integers(0, 0xFFFF), st.integers(0, 255), st.integers(1, 4), st.integers(0, 125).map(lambda n: 2 * n)
)


@st.composite
def damaged(draw: st.DrawFn, right: bytes) -> bytes:
    """A right frame with bits turned, an end cut off, bytes put in, or something else before or behind it."""
    frame = bytearray(right)
    for _ in range(draw(st.integers(0, 4))):
        what = draw(st.sampled_from(["bit", "cut", "insert", "before", "behind", "twice"]))
        at = draw(st.integers(0, max(len(frame) - 1, 0)))
        if what == "bit" and frame:
            frame[at] ^= 1 << draw(st.integers(0, 7))
        elif what == "cut":
            del frame[at:]
        elif what == "insert":
            frame[at:at] = draw(st.binary(max_size=8))
        elif what == "before":
            frame[:0] = draw(st.binary(max_size=20))
        elif what == "behind":
            frame += draw(st.binary(max_size=300))
        elif what == "twice" and len(frame) < 600:
            frame *= 2
    return bytes(frame)


@st.composite
def answers(draw: st.DrawFn, *, rtu: bool) -> tuple[Expected, bytes]:
    """What is asked for, and an answer to it, right or exceptional or neither, then damaged."""
    asked = draw(expected)
    data = draw(st.binary(min_size=asked.size, max_size=asked.size))
    pdu = draw(
        st.sampled_from(
            [bytes([asked.function, asked.size]) + data, bytes([asked.function | 0x80, 2]), bytes([asked.function])]
        )
    )
    unit = bytes([asked.unit]) + pdu
    if rtu:
        return asked, draw(damaged(unit + crc(unit)))
    header = asked.transaction.to_bytes(2, "big") + b"\0\0" + len(unit).to_bytes(2, "big")
    return asked, draw(damaged(header + unit))


@examples(150)
@given(st.one_of(answers(rtu=False), st.tuples(expected, st.binary(max_size=600))), st.sets(st.integers(0, 0xFFFF), max_size=3))
def test_any_bytes_over_tcp_get_a_verdict(case: tuple[Expected, bytes], given_up: set[int]) -> None:
    asked, received = case
    for wanted in (asked, None):
        verdict = modbus_frame.scan(received, wanted, given_up)
        assert isinstance(verdict, Data | Refused | Nonsense | Incomplete)
        if isinstance(verdict, Data):
            assert wanted is not None
            assert len(verdict.data) == wanted.size
        if isinstance(verdict, Data | Refused):
            assert received.startswith(verdict.used)
        if isinstance(verdict, Refused):
            assert verdict.reason
        if not isinstance(verdict, Incomplete):
            # what is judged stays judged: more bytes never turn nonsense into data
            assert modbus_frame.scan(received + b"\0\1", wanted, given_up) == verdict


@examples(150)
@given(
    st.one_of(answers(rtu=True), st.tuples(expected, st.binary(max_size=600))),
    st.lists(expected, max_size=3),
    st.binary(min_size=8, max_size=8),
)
def test_any_bytes_on_a_serial_line_get_a_verdict(
    case: tuple[Expected, bytes], given_up: list[Expected], request: bytes
) -> None:
    asked, received = case
    verdict = modbus_rtu_frame.scan(received, asked)
    assert isinstance(verdict, Data | Refused | Nonsense | Incomplete)
    if isinstance(verdict, Data):
        assert len(verdict.data) == asked.size
        assert crc(received) == b"\0\0"
    if isinstance(verdict, Refused):
        assert verdict.reason
    if received:
        assert diagnose(received, asked, request).detail
    passed = late(received, given_up)
    assert passed is None or (0 < passed[0] <= len(received) and passed[1] in given_up)


points = st.builds(
    ModbusPoint,
    tag=st.just("g.x"),
    table=st.sampled_from(["input", "holding"]),
    register=st.integers(0, 40),
    type=st.sampled_from(["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bool"]),
    word_order=st.sampled_from(["big", "little"]),
    byte_order=st.sampled_from(["big", "little"]),
    scale=st.floats(allow_nan=False, allow_infinity=False),
    offset=st.floats(allow_nan=False, allow_infinity=False),
    valid_low=st.sampled_from([-math.inf, 0.0]),
    valid_high=st.sampled_from([math.inf, 20.0]),
)


@examples(150)
@given(st.lists(points, min_size=1, max_size=8), st.data())
def test_any_data_bytes_become_readings(of_device: list[ModbusPoint], data: st.DataObject) -> None:
    try:
        requests = join([p for p in of_device if p.table == of_device[0].table], 125, 8, set())
    except PlanError:
        return
    for request in requests:
        sent = data.draw(st.binary(min_size=request.size, max_size=request.size))
        readings = BlockDecoder(request).readings(sent, 100.0, 0.01)
        assert len(readings) == len(request.points)
        for reading in readings:
            assert (reading.quality is BAD) == bool(reading.reason)
            assert math.isfinite(reading.value) or (math.isnan(reading.value) and reading.quality is BAD)
        assert raw_text(request, sent)
