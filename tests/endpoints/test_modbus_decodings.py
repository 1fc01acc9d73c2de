"""Every decoding of the same words, against struct and worked examples."""

import math
import struct

import pytest

from metrepost.endpoints.modbus_decode import raw_text
from metrepost.endpoints.modbus_decodings import advice, decodings, words_of
from metrepost.endpoints.modbus_plan import Request
from metrepost.endpoints.plan import ModbusPoint

CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "int64": "q", "uint64": "Q", "float64": "d"}
ORDERS = (("big", "big"), ("little", "big"), ("big", "little"), ("little", "little"))

# IEEE 754 single precision, words as ABCD, CDAB, BADC, DCBA (computed by hand from sign, exponent and fraction)
WORKED = [
    (1.0, ("3F800000", "00003F80", "803F0000", "0000803F")),
    (-118.625, ("C2ED4000", "4000C2ED", "EDC20040", "0040EDC2")),
    (4.572, ("40924DD3", "4DD34092", "9240D34D", "D34D9240")),
    (123.456, ("42F6E979", "E97942F6", "F64279E9", "79E9F642")),
    (0.1, ("3DCCCCCD", "CCCD3DCC", "CC3DCDCC", "CDCCCC3D")),
]


def of(found, number, word="big", byte="big"):
    return next(d for d in found if (d.type, d.word_order, d.byte_order) == (number, word, byte))


@pytest.mark.parametrize(("value", "layouts"), WORKED)
def test_worked_words_give_the_value_under_their_own_order(value, layouts):
    point = ModbusPoint("g.x", "input", 7, "float32")
    for layout, (word, byte) in zip(layouts, ORDERS, strict=True):
        found = decodings(point, bytes.fromhex(layout))
        assert of(found, "float32", word, byte).value == pytest.approx(value, rel=1e-7)


@pytest.mark.parametrize("number", CODES)
def test_all_types_and_orders_agree_with_struct(number):
    data = bytes.fromhex("40924DD3C2ED8001")[: struct.calcsize(">" + CODES[number])]
    found = decodings(ModbusPoint("g.x", "holding", 100, number, scale=0.5, offset=3.0), data)
    for one in found:
        words = [data[i : i + 2] for i in range(0, struct.calcsize(">" + CODES[one.type]), 2)]
        words = [w[::-1] for w in words] if one.byte_order == "little" else words
        words = words[::-1] if one.word_order == "little" else words
        (raw,) = struct.unpack(">" + CODES[one.type], b"".join(words))
        expected = raw * 0.5 + 3.0
        assert one.value == expected or (math.isnan(one.value) and not math.isfinite(expected))
    assert len(found) == {2: 4, 4: 4 + 12, 8: 4 + 12 + 12}[len(data)]
    assert [one.type for one in found if one.configured] == [number]


def test_sensible_is_finite_normal_and_inside_the_valid_range():
    point = ModbusPoint("g.x", "input", 0, "float32", valid_low=-1.0, valid_high=10.0)
    assert of(decodings(point, bytes.fromhex("40924DD3")), "float32").sensible
    assert not of(decodings(point, bytes.fromhex("42F6E979")), "float32").sensible  # 123.456: out of range
    assert not of(decodings(point, bytes.fromhex("7FC00000")), "float32").sensible  # quiet NaN
    assert not of(decodings(point, bytes.fromhex("7F800000")), "float32").sensible  # infinity
    assert not of(decodings(point, bytes.fromhex("00000001")), "float32").sensible  # smallest subnormal
    assert of(decodings(point, bytes.fromhex("00800000")), "float32").sensible  # smallest normal
    assert of(decodings(point, bytes.fromhex("00000000")), "float32").sensible


def test_advice_names_the_key_when_one_other_decoding_is_sensible():
    point = ModbusPoint("g.x", "input", 0, "float32", valid_low=4.0, valid_high=6.0)
    assert advice("g.x", decodings(point, bytes.fromhex("40924DD3"))) == ""
    assert advice("g.x", decodings(point, bytes.fromhex("4DD34092"))).endswith('only 4.572 is: try word_order = "little"')
    assert advice("g.x", decodings(point, bytes.fromhex("D34D9240"))).endswith(
        'try word_order = "little", byte_order = "little"'
    )
    assert advice("g.x", decodings(point, bytes.fromhex("FFFFFFFF"))) == ""  # none is
    wrong = ModbusPoint("g.x", "input", 0, "uint32", valid_low=4.0, valid_high=6.0)
    assert advice("g.x", decodings(wrong, bytes.fromhex("4DD34092"))).endswith('try type = "float32", word_order = "little"')


def test_advice_counts_equal_values_once_and_two_values_not_at_all():
    point = ModbusPoint("g.x", "input", 0, "uint16", scale=0.1, valid_low=0.0, valid_high=30.0)
    # 0x9600 is 38400 (3840.0, and 2713.6 below zero as int16); swapped it is 0x0096 = 150, 15.0 either way
    assert advice("g.x", decodings(point, b"\x96\x00")).endswith('only 15 is: try byte_order = "little"')
    wide = ModbusPoint("g.x", "input", 0, "float32", valid_low=-1e9, valid_high=-0.5)
    assert advice("g.x", decodings(wide, bytes.fromhex("4DD3C092"))) == ""  # int16 and float32 both lie inside


def test_bits_and_wrong_lengths_have_no_decodings():
    assert decodings(ModbusPoint("g.x", "coil", 0, "bool"), b"\x01") == []
    assert decodings(ModbusPoint("g.x", "holding", 0, "uint16", bit=3), b"\x00\x08") == []
    assert decodings(ModbusPoint("g.x", "holding", 0, "uint32"), b"\x00\x08") == []


def test_words_come_back_from_their_text():
    request = Request("input", 0, 2, (ModbusPoint("g.x", "input", 0, "float32"),))
    assert words_of(raw_text(request, b"\x40\x92\x4d\xd3")) == b"\x40\x92\x4d\xd3"
