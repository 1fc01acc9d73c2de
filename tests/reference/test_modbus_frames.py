"""Decoding against worked frames of the MODBUS Application Protocol V1.1b3, section 6, and against IEEE 754.

The frames marked "from memory" have not been compared with the printed standard; the others were seen in public test files
that quote it.
"""

import math

import pytest

from metrepost.endpoints.modbus_decode import BlockDecoder
from metrepost.endpoints.modbus_frame import Data, Expected, Refused, scan
from metrepost.endpoints.modbus_link import ModbusLink
from metrepost.endpoints.modbus_plan import FUNCTION, join
from metrepost.endpoints.plan import ModbusPoint, Table
from metrepost.readings import BAD
from support_modbus import RealClock, Script, endpoint

UNIT = 0x11

# table, zero-based register, quantity, request PDU, response PDU, values
FRAMES: list[tuple[Table, int, int, str, str, list[int]]] = [
    # 6.1, coils 20-38 (seen in public test files): CD is coils 27-20, 6B 35-28, 05 38-36, each from high to low
    ("coil", 19, 19, "01 00 13 00 13", "01 03 CD 6B 05", [*map(int, "10110011"), *map(int, "11010110"), *map(int, "101")]),
    # 6.2, inputs 197-218 (request seen as an RTU frame; response from memory)
    (
        "discrete",
        196,
        22,
        "02 00 C4 00 16",
        "02 03 AC DB 35",
        [*map(int, "00110101"), *map(int, "11011011"), *map(int, "101011")],
    ),
    # 6.3, holding registers 108-110 (from memory)
    ("holding", 107, 3, "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", [555, 0, 100]),
    # 6.4, input register 9 (from memory)
    ("input", 8, 1, "04 00 08 00 01", "04 02 00 0A", [10]),
]


def points(table: Table, register: int, count: int) -> list[ModbusPoint]:
    kind = "bool" if table in ("coil", "discrete") else "uint16"
    return [ModbusPoint(f"g.{n:03d}", table, n, kind) for n in range(register, register + count)]  # type: ignore[arg-type]


def adu(pdu: str, transaction: int = 1) -> bytes:
    body = bytes([UNIT]) + bytes.fromhex(pdu)
    return transaction.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body


@pytest.mark.parametrize(("table", "register", "count", "asked", "answered", "values"), FRAMES, ids=[f[0] for f in FRAMES])
async def test_worked_frames_go_out_and_come_back_byte_for_byte(
    table: Table, register: int, count: int, asked: str, answered: str, values: list[int]
) -> None:
    """The request as it goes over the wire, and the readings made of the response, with a device that knows only these bytes."""
    (request,) = join(points(table, register, count), 125 if table in ("holding", "input") else 2000, 0, set())
    async with Script(lambda *_: [adu(answered)]) as device:
        link = ModbusLink(endpoint(device.port, unit_id=UNIT), RealClock())
        assert await link.open() == ""
        outcome = await link.read(request)
        link.close()
    assert device.requests == [adu(asked)]
    assert request.function == FUNCTION[table] == bytes.fromhex(asked)[0]
    readings = BlockDecoder(request).readings(outcome.data, 0.0, 0.0)  # type: ignore[union-attr]
    assert [reading.value for reading in readings] == [float(value) for value in values]


def test_tcp_request_of_section_6_3_with_its_header() -> None:
    """MODBUS Messaging on TCP/IP V1.0b, MBAP header (from memory)."""
    assert adu("03 00 6B 00 03") == bytes.fromhex("00 01 00 00 00 06 11 03 00 6B 00 03")


def test_exception_answer() -> None:
    """Section 7: read coils at 04A1 refused with 02, illegal data address (from memory)."""
    verdict = scan(adu("81 02"), Expected(1, UNIT, 1, 1), ())
    assert isinstance(verdict, Refused)
    assert verdict.reason == "exception 2: illegal data address"


def test_largest_answer_of_125_registers_passes() -> None:
    """Section 4.1: a PDU has at most 253 bytes, a TCP ADU 260 (from memory)."""
    frame = adu("03 FA" + "00 01" * 125)
    assert len(frame) == 259
    assert isinstance(scan(frame, Expected(1, UNIT, 3, 250), ()), Data)


# value, then the two registers as A B C D, C D A B, B A D C, D C B A (computed from IEEE 754 binary32)
IEEE_754 = [
    (1.0, "3F80 0000", "0000 3F80", "803F 0000", "0000 803F"),
    (-2.0, "C000 0000", "0000 C000", "00C0 0000", "0000 00C0"),
    (3.14159274, "4049 0FDB", "0FDB 4049", "4940 DB0F", "DB0F 4940"),
    (123.456, "42F6 E979", "E979 42F6", "F642 79E9", "79E9 F642"),
    (-118.625, "C2ED 4000", "4000 C2ED", "EDC2 0040", "0040 EDC2"),
    (4.572, "4092 4DD3", "4DD3 4092", "9240 D34D", "D34D 9240"),
    (50.0, "4248 0000", "0000 4248", "4842 0000", "0000 4842"),
    (0.1, "3DCC CCCD", "CCCD 3DCC", "CC3D CDCC", "CDCC CC3D"),
]
ORDERS = [("big", "big"), ("little", "big"), ("big", "little"), ("little", "little")]


@pytest.mark.parametrize("row", IEEE_754, ids=[str(row[0]) for row in IEEE_754])
@pytest.mark.parametrize("order", range(4), ids=["ABCD", "CDAB", "BADC", "DCBA"])
def test_ieee_754_singles_in_all_four_orders(row: tuple[float, str, str, str, str], order: int) -> None:
    word, byte = ORDERS[order]
    point = ModbusPoint("g.x", "holding", 0, "float32", word_order=word, byte_order=byte)  # type: ignore[arg-type]
    (request,) = join([point], 125, 0, set())
    (reading,) = BlockDecoder(request).readings(bytes.fromhex(str(row[1 + order])), 0.0, 0.0)
    assert reading.value == pytest.approx(row[0], rel=2**-24)


@pytest.mark.parametrize(("data", "value"), [("7F80 0000", math.inf), ("7FC0 0000", math.nan), ("0000 0001", 2.0**-149)])
def test_ieee_754_specials(data: str, value: float) -> None:
    """Infinity and quiet NaN are no numbers; the smallest subnormal is one."""
    (request,) = join([ModbusPoint("g.x", "holding", 0, "float32")], 125, 0, set())
    (reading,) = BlockDecoder(request).readings(bytes.fromhex(data), 0.0, 0.0)
    if math.isfinite(value):
        assert reading.value == value
    else:
        assert (reading.quality, reading.reason) == (BAD, "not a number")
