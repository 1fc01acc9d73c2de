"""Is this the answer to my request, on a serial line? Pure checks of the raw bytes of Modbus RTU.

A frame is unit id, function code, data and a CRC of two bytes, low byte first (MODBUS over Serial Line V1.02, 2.5.1). It has no
length and no transaction id: its end is told by silence, and a late answer looks like a prompt one. So only one reading of the
bytes is tried: what was received since the request was sent must be the whole answer, from the first byte to the last, with the
unit, function and byte count that were asked for. No search for a frame within noise: each further try would be another chance
of 1 in 65 536 that noise has a right CRC.
"""

from collections.abc import Sequence

from .modbus_frame import (
    SHORT,
    WRONG_FUNCTION,
    WRONG_LENGTH,
    WRONG_UNIT,
    Data,
    Expected,
    Incomplete,
    Nonsense,
    Refused,
    Verdict,
)

CHECKSUM = "checksum"
ECHO = "echo"
REQUEST = 8
"""Bytes of a request for reading: unit id, function code, register, count, CRC."""
FRAME = 5
"""Bytes of an answer besides its data: unit id, function code, byte count, CRC. An exception answer has as many in all."""
LONGEST = 256
"""Largest frame (V1.02, 2.5.1)."""


def _table() -> tuple[int, ...]:
    """The CRC of each byte: polynomial 0xA001, which is 0x8005 with the bits in the order of the wire (V1.02, 6.2.2)."""
    found = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
        found.append(crc)
    return tuple(found)


_CRC = _table()


def crc(data: bytes) -> bytes:
    """The two bytes that end a frame, in the order of the wire. Over a whole right frame they are zero."""
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _CRC[(value ^ byte) & 0xFF]
    return value.to_bytes(2, "little")


def whole(frame: bytes) -> bool:
    """Whether the last two bytes are the CRC of those before."""
    return crc(frame[:-2]) == frame[-2:]


def _ends(buffer: bytes, expected: Expected) -> int:
    """Where the answer to `expected` ends at the start of `buffer`; 0 when it is no such answer or not all of it is there."""
    if len(buffer) < FRAME or buffer[0] != expected.unit:
        return 0
    if buffer[1] == expected.function | 0x80:
        size = FRAME
    elif buffer[1] == expected.function and buffer[2] == expected.size:
        size = FRAME + expected.size
    else:
        return 0
    return size if len(buffer) >= size and whole(buffer[:size]) else 0


def late(buffer: bytes, given_up: Sequence[Expected]) -> tuple[int, Expected] | None:
    """Where an answer ends that comes too late to be wanted, and which one it is; None when `buffer` begins with no such answer."""
    for one in given_up:
        end = _ends(buffer, one)
        if end:
            return end, one
    return None


def scan(buffer: bytes, expected: Expected) -> Verdict:
    """Judge everything received since the request was sent. More may follow unless the verdict is final (`Incomplete` is not)."""
    size = FRAME + expected.size
    if len(buffer) < FRAME:
        return Incomplete(partial=bool(buffer))
    if buffer[0] == expected.unit and buffer[1] == expected.function | 0x80:
        if len(buffer) == FRAME and whole(buffer):
            return Refused(buffer, buffer[2])
    elif buffer[0] == expected.unit and buffer[1] == expected.function and buffer[2] == expected.size:
        if len(buffer) == size and whole(buffer):
            return Data(buffer, buffer[3:-2])
        if len(buffer) < size:
            return Incomplete(partial=True)
        return Nonsense(CHECKSUM, f"wrong CRC over {size} bytes") if len(buffer) == size else _too_long(buffer, size)
    # it cannot become right any more, but where it ends only silence can say
    return Incomplete(partial=True)


def _too_long(buffer: bytes, size: int) -> Nonsense:
    return Nonsense(WRONG_LENGTH, f"{len(buffer)} bytes, expected {size}")


def diagnose(buffer: bytes, expected: Expected, request: bytes) -> Nonsense:
    """What was wrong with an answer that silence has ended. `buffer` is not empty."""
    size = FRAME + expected.size
    if buffer[: len(request)] == request:
        return Nonsense(ECHO, "the adapter sends back what it is given; switch its local echo off")
    if len(buffer) >= FRAME and whole(buffer):
        if buffer[0] != expected.unit:
            return Nonsense(WRONG_UNIT, f"unit id {buffer[0]}, expected {expected.unit}")
        if buffer[1] & 0x7F != expected.function:
            return Nonsense(WRONG_FUNCTION, f"function code {buffer[1]}, expected {expected.function}")
        return Nonsense(WRONG_LENGTH, f"byte count {buffer[2]} in {len(buffer)} bytes, expected {expected.size} in {size}")
    if len(buffer) < FRAME or (buffer[0] == expected.unit and buffer[1] == expected.function and len(buffer) < size):
        return Nonsense(SHORT, f"the answer broke off after {len(buffer)} bytes of {size}")
    return Nonsense(CHECKSUM, f"{len(buffer)} bytes without a right CRC, expected {size}")
