"""The CRC of Modbus RTU against frames of the standard, the catalogue's check value, and pymodbus's own."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from metrepost.endpoints.modbus_frame import Data, Expected, Refused
from metrepost.endpoints.modbus_rtu_frame import crc, scan, whole

# (frame, CRC on the wire, where it was seen)
FRAMES = [
    ("11 01 00 13 00 13", "8E 92", "seen in a public decoder test"),
    ("11 01 03 CD 6B 05", "40 12", "seen in a public decoder test"),
    ("11 02 00 C4 00 16", "BA A9", "seen in a public decoder test"),
    ("01 03 00 1C 00 01", "45 CC", "a public test that quotes a printed manual"),
    ("01 03 02 00 C4", "B9 D7", "a public test that quotes a printed manual"),
    ("31 32 33 34 35 36 37 38 39", "37 4B", 'check value of CRC-16/MODBUS over ASCII "123456789", from memory'),
]


@pytest.mark.parametrize(("frame", "expected", "source"), FRAMES, ids=[f[0] for f in FRAMES])
def test_crc_of_worked_frames(frame: str, expected: str, source: str) -> None:
    assert crc(bytes.fromhex(frame)) == bytes.fromhex(expected), source


@given(st.binary(min_size=1, max_size=254))
def test_crc_is_that_of_another_implementation_and_zero_over_the_whole_frame(body: bytes) -> None:
    assert crc(body) == FramerRTU.compute_CRC(body).to_bytes(2, "big")
    assert crc(body + crc(body)) == b"\0\0"
    assert whole(body + crc(body))


def test_an_answer_of_the_standard_is_taken_and_an_exception_is_told() -> None:
    coils = bytes.fromhex("11 01 03 CD 6B 05 40 12")
    assert scan(coils, Expected(0, 0x11, 1, 3)) == Data(coils, bytes.fromhex("CD 6B 05"))
    refused = bytes.fromhex("11 81 02")
    frame = refused + crc(refused)
    assert scan(frame, Expected(0, 0x11, 1, 3)) == Refused(frame, 2)
