"""Wrong frames: what a sick device or gateway sends in place of a right Modbus answer. Pure."""

from pymodbus.framer.rtu import FramerRTU

FRAME_FAULTS = ("drop", "close", "transaction", "unit", "function", "length", "cut", "crc")


def broken(fault: str, frame: bytes, *, rtu: bool) -> bytes:
    """A right answer, broken in one way of `FRAME_FAULTS`.

    ``drop`` and ``close`` send nothing; ``transaction``, ``unit`` and ``function`` answer for another request; ``length`` counts
    bytes that are not there; ``cut`` breaks off half-way; ``crc`` flips a bit of the check sum of an RTU frame. The check sum
    of every other wrong RTU frame is right, so that the frame is wrong in one way only.
    """
    if fault in ("drop", "close"):
        return b""
    if fault == "cut":
        return frame[: len(frame) // 2]
    data = bytearray(frame)
    start = 0 if rtu else 6
    if fault == "crc":
        data[-1] ^= 0x01
        return bytes(data)
    if fault == "transaction":
        data[0] ^= 0x55
    elif fault == "unit":
        data[start] ^= 0x40
    elif fault == "function":
        data[start + 1] = data[start + 1] & 0x80 | data[start + 1] % 4 + 1
    elif fault == "length":
        data[start + 2] = (data[start + 2] + 2) & 0xFF
    if rtu:
        data[-2:] = FramerRTU.compute_CRC(bytes(data[:-2])).to_bytes(2, "big")
    return bytes(data)
