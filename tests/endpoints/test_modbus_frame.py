"""The check of raw answers: only the right frame passes, whatever the bytes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.endpoints import modbus_frame as frame
from metrepost.endpoints.modbus_frame import Data, Expected, Incomplete, Nonsense, Refused, scan

WANTED = Expected(transaction=7, unit=1, function=3, size=4)
RIGHT = bytes.fromhex("0007 0000 0007 01 03 04 4092 4DD3")


def changed(at: int, to: int) -> bytes:
    return RIGHT[:at] + bytes([to]) + RIGHT[at + 1 :]


def test_the_right_answer_passes_with_its_data() -> None:
    assert scan(RIGHT, WANTED, ()) == Data(RIGHT, bytes.fromhex("40924DD3"))


@pytest.mark.parametrize(
    ("bytes_", "reason", "in_step"),
    [
        (changed(1, 0), frame.WRONG_TRANSACTION, True),
        (changed(1, 8), frame.WRONG_TRANSACTION, True),
        (changed(3, 1), frame.NOT_MODBUS, False),
        (changed(4, 9), frame.NOT_MODBUS, False),
        (changed(5, 2), frame.NOT_MODBUS, False),
        (changed(6, 2), frame.WRONG_UNIT, True),
        (changed(7, 4), frame.WRONG_FUNCTION, True),
        (changed(7, 0x84), frame.WRONG_FUNCTION, True),
        (changed(7, 0x83), frame.WRONG_LENGTH, True),
        (changed(8, 2), frame.WRONG_LENGTH, True),
        (bytes.fromhex("0007 0000 0005 01 03 02 4092"), frame.WRONG_LENGTH, True),
        (bytes.fromhex("0007 0000 0005 01 03 04 4092"), frame.WRONG_LENGTH, True),
        (b"HTTP/1.1 400 Bad Request", frame.NOT_MODBUS, False),
        (b"\xff\xff\xff\xff", frame.NOT_MODBUS, False),
    ],
)
def test_anything_else_is_refused_with_its_reason(bytes_: bytes, reason: str, in_step: bool) -> None:
    verdict = scan(bytes_, WANTED, ())
    assert isinstance(verdict, Nonsense)
    assert (verdict.reason, verdict.in_step) == (reason, in_step)
    assert verdict.detail


@pytest.mark.parametrize("length", range(len(RIGHT)))
def test_a_beginning_of_the_right_answer_waits_for_more(length: int) -> None:
    assert scan(RIGHT[:length], WANTED, ()) == Incomplete(partial=length > 0)


def test_late_answers_are_passed_over_and_the_right_one_behind_them_is_found() -> None:
    late = changed(1, 6)
    assert scan(late, WANTED, (6,)) == Incomplete(partial=False)
    assert scan(late + RIGHT, WANTED, (6,)) == Data(late + RIGHT, RIGHT[9:])


def test_an_exception_answer_is_named_in_the_words_of_the_standard() -> None:
    verdict = scan(bytes.fromhex("0007 0000 0003 01 83 02"), WANTED, ())
    assert isinstance(verdict, Refused)
    assert verdict.reason == "exception 2: illegal data address"


def test_an_answer_to_nothing_is_nonsense_unless_it_is_late() -> None:
    assert isinstance(scan(RIGHT, None, ()), Nonsense)
    assert scan(RIGHT, None, (7,)) == Incomplete(partial=False)


@given(st.binary(max_size=300))
def test_random_bytes_never_pass_as_data_unless_they_are_the_right_frame(noise: bytes) -> None:
    verdict = scan(noise, WANTED, ())
    assert not isinstance(verdict, Data) or (noise[:9] == RIGHT[:9] and verdict.data == noise[9:13])


@given(st.integers(0, len(RIGHT) - 5), st.integers(1, 255))
def test_a_change_of_any_header_byte_never_passes(at: int, change: int) -> None:
    """All nine bytes before the data."""
    at = min(at, 8)
    assert not isinstance(scan(changed(at, RIGHT[at] ^ change), WANTED, ()), Data)
