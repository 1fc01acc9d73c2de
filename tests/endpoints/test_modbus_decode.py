"""Readings from data bytes: types, orders, bits, scale, and what must become bad."""

import math
import struct
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.endpoints.modbus_decode import BlockDecoder, raw_text
from metrepost.endpoints.modbus_plan import join
from metrepost.endpoints.plan import ModbusPoint
from metrepost.readings import BAD, GOOD, Reading
from support_modbus import words

CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "int64": "q", "uint64": "Q", "float32": "f", "float64": "d"}


def point(register: int = 0, type_: str = "uint16", **settings: object) -> ModbusPoint:
    settings.setdefault("table", "holding")
    settings.setdefault("tag", f"g.{register}")
    return ModbusPoint(register=register, type=type_, **settings)  # type: ignore[arg-type]


def decode(data: bytes, *points: ModbusPoint) -> list[Reading]:
    (request,) = join(points, 125 if points[0].table in ("holding", "input") else 2000, 125, set())
    assert len(data) == request.size
    return BlockDecoder(request).readings(data, 100.0, 0.01)


def laid_out(raw: bytes, word_order: str, byte_order: str) -> bytes:
    """Big-endian bytes as a device with these orders would send them: another road than the decoder's."""
    pairs = [raw[at : at + 2] for at in range(0, len(raw), 2)]
    if word_order == "little":
        pairs.reverse()
    return b"".join(pair[::-1] if byte_order == "little" else pair for pair in pairs)


@pytest.mark.parametrize("orders", list(product(["big", "little"], repeat=2)))
@pytest.mark.parametrize("type_", CODES)
@given(data=st.data())
def test_every_type_in_every_order_gives_the_number_back(type_: str, orders: tuple[str, str], data: st.DataObject) -> None:
    code = CODES[type_]
    bits = 8 * struct.calcsize(code)
    if code in "fd":
        number = data.draw(st.floats(allow_nan=False, allow_infinity=False, width=bits))  # type: ignore[arg-type]
    else:
        signed = code.islower()
        number = data.draw(st.integers(-(2 ** (bits - 1)) if signed else 0, 2 ** (bits - signed) - 1))
    sent = laid_out(struct.pack(">" + code, number), *orders)
    (reading,) = decode(sent, point(0, type_, word_order=orders[0], byte_order=orders[1]))
    assert reading == Reading("g.0", 100.0, float(number), GOOD, "", 0.01)


@given(
    st.lists(
        st.tuples(
            st.integers(0, 30),
            st.sampled_from(sorted(CODES)),
            st.sampled_from(["big", "little"]),
            st.sampled_from(["big", "little"]),
        ),
        min_size=1,
        max_size=12,
    ),
    st.binary(min_size=70, max_size=70),
)
def test_a_mixed_block_gives_what_each_point_alone_would_give(layout: list[tuple[int, str, str, str]], data: bytes) -> None:
    """Overlaps, mixed orders and gaps included."""
    points = [point(r, kind, tag=f"g.{n}", word_order=w, byte_order=b) for n, (r, kind, w, b) in enumerate(layout)]
    (request,) = join(points, 125, 125, set())
    whole = data[2 * request.register : 2 * (request.register + request.count)]
    for one, reading in zip(request.points, decode(whole, *points), strict=True):
        code = CODES[one.type]
        own = data[2 * one.register : 2 * one.register + struct.calcsize(code)]
        (number,) = struct.unpack(">" + code, laid_out(own, one.word_order, one.byte_order))
        assert reading.tag == one.tag
        assert (reading.value == float(number) and reading.quality is GOOD) or (
            not math.isfinite(number) and reading.quality is BAD
        )


def test_scale_and_offset_are_applied_in_this_order() -> None:
    (reading,) = decode(words(0, 48000), point(0, "int32", scale=0.0001, offset=-0.5))
    assert reading.value == pytest.approx(4.3, abs=1e-12)


def test_latency_is_taken_off_the_source_time_and_uncertainty_kept() -> None:
    (reading,) = decode(words(1), point(0, latency=0.004))
    assert (reading.time, reading.time_uncertainty) == (pytest.approx(99.996), 0.01)


@pytest.mark.parametrize(("bit", "expected"), [(0, 1.0), (1, 0.0), (8, 0.0), (15, 1.0)])
def test_bit_0_is_the_lowest_of_the_register(bit: int, expected: float) -> None:
    assert decode(words(0x8001), point(0, bit=bit))[0].value == expected


def test_bits_above_8_of_one_register_share_one_field() -> None:
    points = [point(0, tag=f"g.{bit:02d}", bit=bit) for bit in range(16)]
    assert [r.value for r in decode(words(0x1234), *points)] == [float(0x1234 >> bit & 1) for bit in range(16)]


def test_bit_of_a_signed_double_register_counts_over_both_words() -> None:
    assert decode(words(0x8000, 0x0000), point(0, "int32", bit=31))[0].value == 1.0
    assert decode(words(0x0000, 0x8000), point(0, "int32", bit=31, word_order="little"))[0].value == 1.0


def test_bool_register_is_true_when_any_bit_is_set() -> None:
    assert [r.value for r in decode(words(0, 4), point(0, "bool"), point(1, "bool"))] == [0.0, 1.0]


def test_coils_are_packed_lowest_bit_first() -> None:
    points = [point(n, "bool", table="coil") for n in (3, 4, 12)]
    assert [r.value for r in decode(bytes([0b0000_0010, 0b0000_0010]), *points)] == [0.0, 1.0, 1.0]


@pytest.mark.parametrize("bits", [(0x7FC0, 0), (0xFFC0, 0), (0x7F80, 0), (0xFF80, 0), (0x7F80, 1)])
def test_nan_and_infinities_are_bad_and_carry_no_value(bits: tuple[int, int]) -> None:
    (reading,) = decode(words(*bits), point(0, "float32"))
    assert (reading.quality, reading.reason) == (BAD, "not a number")
    assert math.isnan(reading.value)


def test_a_number_that_overflows_by_its_scale_is_not_a_number() -> None:
    (reading,) = decode(struct.pack(">d", 1e308), point(0, "float64", scale=100.0))
    assert (reading.quality, reading.reason) == (BAD, "not a number")


@pytest.mark.parametrize(("raw", "quality"), [(499, BAD), (500, GOOD), (20000, GOOD), (20001, BAD)])
def test_outside_valid_is_bad_and_keeps_its_value(raw: int, quality: int) -> None:
    (reading,) = decode(words(raw), point(0, scale=0.001, valid_low=0.5, valid_high=20.0))
    assert (reading.quality, reading.reason) == (quality, "range" if quality == BAD else "")
    assert reading.value == pytest.approx(raw * 0.001)


def test_a_lost_answer_gives_one_bad_reading_a_point_at_the_moment_of_giving_up() -> None:
    (request,) = join([point(0, latency=1.0), point(1)], 125, 0, set())
    lost = BlockDecoder(request).lost(50.0, "timeout")
    assert [(r.tag, r.time, r.quality, r.reason, math.isnan(r.value)) for r in lost] == [
        ("g.0", 50.0, BAD, "timeout", True),
        ("g.1", 50.0, BAD, "timeout", True),
    ]


def test_raw_words_are_shown_as_in_a_register_list() -> None:
    (registers,) = join([point(0, "float32")], 125, 0, set())
    assert raw_text(registers, words(0x4092, 0x4DD3)) == "0x4092 0x4DD3"
    (coils,) = join([point(0, "bool", table="coil"), point(1, "bool", table="coil")], 2000, 0, set())
    assert raw_text(coils, b"\x02") == "0 1"
