"""The same raw words under every type and order that fits: which one did the maker of the device mean? Pure.

Each try goes through the decoder of the daemon, so that what is shown here is what the tag would become. A type wider than the
words that were read cannot be tried; a narrower one is tried on the first register. Bits have one decoding only, and get none.
"""

import sys
from collections.abc import Iterator

import msgspec

from ..readings import GOOD
from .modbus_decode import BlockDecoder
from .modbus_plan import WIDTH, join, width
from .plan import ModbusPoint, Number, Order

_TYPES: tuple[Number, ...] = ("int16", "uint16", "int32", "uint32", "float32", "int64", "uint64", "float64")
_ORDERS: tuple[Order, ...] = ("big", "little")
_NORMAL = {"float32": 2.0**-126, "float64": sys.float_info.min}
"""Smallest normal numbers of IEEE 754 binary32 and binary64: what is below, and not zero, is hardly ever a measurement."""


class Decoding(msgspec.Struct, frozen=True):
    """One way to read the words. `value` is in the tag's unit, after scale and offset; not a number when it is not finite.

    `sensible`: finite, no denormal float, and inside the tag's `valid` range. `configured`: as the line file has it.
    """

    type: Number
    word_order: Order
    byte_order: Order
    value: float
    sensible: bool
    configured: bool


def words_of(raw: str) -> bytes:
    """The data bytes behind raw words as `modbus_decode.raw_text` writes them. Raises ValueError for anything else."""
    return bytes.fromhex(raw.replace("0x", ""))


def decodings(point: ModbusPoint, data: bytes) -> list[Decoding]:
    """Every decoding of `data` (the point's own registers, high byte first, as they came), narrow types first.

    Empty for bits, and when `data` is not what the point reads.
    """
    if point.table in ("coil", "discrete") or point.bit is not None or point.type == "bool" or len(data) != 2 * width(point):
        return []
    found = []
    for tried in _tries(point):
        reading = BlockDecoder(join([tried], WIDTH[tried.type], 0, set())[0]).readings(data, 0.0, 0.0)[0]
        sensible = reading.quality == GOOD and not _denormal(tried, data)
        configured = (tried.type, tried.word_order, tried.byte_order) == _as_configured(point)
        found.append(Decoding(tried.type, tried.word_order, tried.byte_order, reading.value, sensible, configured))
    return found


def _tries(point: ModbusPoint) -> Iterator[ModbusPoint]:
    for number in _TYPES:
        if WIDTH[number] > width(point):
            continue
        for word in _ORDERS if WIDTH[number] > 1 else _ORDERS[:1]:
            for byte in _ORDERS:
                yield msgspec.structs.replace(point, type=number, word_order=word, byte_order=byte)


def _as_configured(point: ModbusPoint) -> tuple[Number, Order, Order]:
    """A single register has no word order, whatever the file says."""
    return point.type, point.word_order if width(point) > 1 else "big", point.byte_order


def _denormal(tried: ModbusPoint, data: bytes) -> bool:
    if tried.type not in _NORMAL:
        return False
    bare = msgspec.structs.replace(tried, scale=1.0, offset=0.0)
    raw = BlockDecoder(join([bare], WIDTH[bare.type], 0, set())[0]).readings(data, 0.0, 0.0)[0].value
    return 0.0 < abs(raw) < _NORMAL[tried.type]


def advice(tag: str, found: list[Decoding]) -> str:
    """A sentence when the configured decoding is not sensible and exactly one other value is; "" otherwise.

    Decodings that give the same value (a small number as int16 and as uint16) count once; the one with the fewest changes to
    the line file is proposed.
    """
    present = next((each for each in found if each.configured), None)
    others = [each for each in found if each.sensible]
    if present is None or present.sensible or len({each.value for each in others}) != 1:
        return ""
    changes = min((_changes(present, each) for each in others), key=len)
    return f"{tag}: the configured decoding is not sensible, and only {others[0].value:.6g} is: try {', '.join(changes)}"


def _changes(present: Decoding, other: Decoding) -> list[str]:
    keys = ("type", "byte_order") if WIDTH[other.type] == 1 else ("type", "word_order", "byte_order")
    return [f'{key} = "{getattr(other, key)}"' for key in keys if getattr(other, key) != getattr(present, key)]
