"""From the data bytes of one answer to readings. Pure.

Modbus sends each register high byte first and leaves open how numbers of several registers are laid out, so a point says it:
`word_order` (which register comes first) and `byte_order` (within a register). A, B, C, D from high to low:

    word big,    byte big     A B C D   as it is, read big-endian
    word little, byte little  D C B A   as it is, read little-endian
    word big,    byte little  B A D C   bytes swapped in pairs, read big-endian
    word little, byte big     C D A B   bytes swapped in pairs, read little-endian

So a whole block takes at most four `struct` formats, made once, instead of a conversion per value. Points that overlap
(bits of one register, say) share a field or go to a further format.
"""

import math
import struct
import sys

from ..readings import BAD, GOOD, Reading
from .modbus_plan import Request, width
from .plan import ModbusPoint, Number

NOT_A_NUMBER = "not a number"
RANGE = "range"

_CODES: dict[Number, str] = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "int64": "q",
    "uint64": "Q",
    "float32": "f",
    "float64": "d",
    "bool": "H",
}
_VALUE, _TRUTH = -1, -2  # in place of a bit number: the number itself, or whether it is not zero

_Layout = tuple[bool, bool]  # swapped, little


def _layout(point: ModbusPoint) -> _Layout:
    swapped = point.word_order != point.byte_order
    if width(point) == 1:
        swapped = point.byte_order == "little"
        return swapped, False
    return swapped, point.word_order == "little"


def _swap(data: bytes) -> bytes:
    swapped = bytearray(len(data))
    swapped[0::2] = data[1::2]
    swapped[1::2] = data[0::2]
    return bytes(swapped)


class _Lane:
    """Fields of one layout that do not overlap, in register order: one struct."""

    def __init__(self) -> None:
        self.format = ""
        self.end = 0
        self.fields: list[tuple[int, str]] = []

    def add(self, byte: int, code: str) -> None:
        self.format += f"{byte - self.end}x{code}" if byte > self.end else code
        self.end = byte + struct.calcsize(">" + code)
        self.fields.append((byte, code))


class BlockDecoder:
    """Makes readings of one request's points. Values are ``raw * scale + offset`` as float64.

    Integers beyond 2^53 lose their last digits, as every float64 does.
    """

    def __init__(self, request: Request) -> None:
        self._bits = request.function < 3
        self._structs: list[tuple[bool, struct.Struct]] = []
        self._tags = tuple(point.tag for point in request.points)
        if self._bits:
            place = {point.register: point.register - request.register for point in request.points}
            self._positions = tuple((offset >> 3, offset & 7) for offset in place.values())
            index = {register: number for number, register in enumerate(place)}
            where = [index[point.register] for point in request.points]
        else:
            where = self._lay_out(request)
        self._fields = tuple(
            (
                point.tag,
                where[number],
                _TRUTH if point.type == "bool" and point.bit is None else _VALUE if point.bit is None else point.bit,
                point.scale,
                point.offset,
                point.latency,
                # an infinity must fail the one comparison that good values pass
                max(point.valid_low, -sys.float_info.max),
                min(point.valid_high, sys.float_info.max),
            )
            for number, point in enumerate(request.points)
        )

    def _lay_out(self, request: Request) -> list[int]:
        lanes: dict[_Layout, list[_Lane]] = {}
        keys: list[tuple[_Layout, int, str]] = []
        for point in request.points:
            byte = 2 * (point.register - request.register)
            code = _CODES[point.type].upper() if point.bit is not None else _CODES[point.type]
            key = (_layout(point), byte, code)
            if key not in keys:
                of_layout = lanes.setdefault(key[0], [])
                lane = next((lane for lane in of_layout if lane.end <= byte), None)
                if lane is None:
                    lane = _Lane()
                    of_layout.append(lane)
                lane.add(byte, code)
            keys.append(key)
        index: dict[tuple[_Layout, int, str], int] = {}
        for layout, of_layout in lanes.items():
            swapped, little = layout
            for lane in of_layout:
                self._structs.append((swapped, struct.Struct(("<" if little else ">") + lane.format)))
                for byte, code in lane.fields:
                    index[(layout, byte, code)] = len(index)
        return [index[key] for key in keys]

    def _raw(self, data: bytes) -> list[int | float]:
        if self._bits:
            return [data[byte] >> bit & 1 for byte, bit in self._positions]
        values: list[int | float] = []
        other: bytes | None = None
        for swapped, layout in self._structs:
            if swapped:
                if other is None:
                    other = _swap(data)
                values.extend(layout.unpack_from(other))
            else:
                values.extend(layout.unpack_from(data))
        return values

    def readings(self, data: bytes, time: float, uncertainty: float) -> list[Reading]:
        """One reading a point, in register order. `data` are the data bytes of a right answer; `time` is line time half-way
        between request and answer, `uncertainty` half the round trip, both in seconds."""
        raw = self._raw(data)
        made: list[Reading] = []
        for tag, where, pick, scale, offset, latency, low, high in self._fields:
            number = raw[where]
            if pick != _VALUE:
                number = int(number != 0) if pick == _TRUTH else int(number) >> pick & 1
            value = number * scale + offset
            if low <= value <= high:
                made.append(Reading(tag, time - latency, value, GOOD, "", uncertainty))
            elif math.isfinite(value):
                made.append(Reading(tag, time - latency, value, BAD, RANGE, uncertainty))
            else:
                made.append(Reading(tag, time - latency, math.nan, BAD, NOT_A_NUMBER, uncertainty))
        return made

    def lost(self, time: float, reason: str) -> list[Reading]:
        """One bad reading a point: the answer was given up at `time`, line time."""
        return [Reading(tag, time, math.nan, BAD, reason) for tag in self._tags]


def raw_text(request: Request, data: bytes) -> str:
    """The raw words of an answer as people compare them with a register list: ``0x4092 0x4DD3``, or bits as ``0 1``."""
    if request.function < 3:
        return " ".join(str(data[bit >> 3] >> (bit & 7) & 1) for bit in range(request.count))
    return " ".join(f"0x{data[byte]:02X}{data[byte + 1]:02X}" for byte in range(0, 2 * request.count, 2))
