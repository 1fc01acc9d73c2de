"""Is this the answer to my request? Pure checks of the raw bytes of Modbus TCP.

The library takes a response with transaction id 0 for any request, does not look at the function code against the request,
believes the byte count, and waits for ever on a wrong protocol id. A wrong value is worse than none, so every byte of the
header is checked here before the library sees the frame (MODBUS Messaging on TCP/IP V1.0b: transaction id 2 bytes, protocol
id 2, length 2, unit id 1; then function code, byte count, data).
"""

from collections.abc import Container

import msgspec

HEADER = 7
LONGEST = 254
"""Largest length field: unit id and 253 bytes of PDU."""

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""MODBUS Application Protocol V1.1b3, section 7."""
GATEWAY = (10, 11)
"""Exceptions in which a gateway speaks for a device that it does not reach."""

SHORT = "short answer"
NOT_MODBUS = "not modbus"
WRONG_TRANSACTION = "wrong transaction id"
WRONG_UNIT = "wrong unit id"
WRONG_FUNCTION = "wrong function code"
WRONG_LENGTH = "wrong length"
UNASKED = "unasked answer"


class Expected(msgspec.Struct, frozen=True):
    """What the answer must carry; `size` is the number of data bytes."""

    transaction: int
    unit: int
    function: int
    size: int


class Data(msgspec.Struct, frozen=True):
    """The right answer: its data bytes, and everything received up to its end."""

    used: bytes
    data: bytes


class Refused(msgspec.Struct, frozen=True):
    """An exception answer to the request, and everything received up to its end."""

    used: bytes
    code: int

    @property
    def reason(self) -> str:
        """The exception in the standard's words."""
        return f"exception {self.code}: {EXCEPTIONS.get(self.code, 'not in the standard')}"


class Nonsense(msgspec.Struct, frozen=True):
    """Something else. `in_step` says that the next frame can still be found in the stream."""

    reason: str
    detail: str
    in_step: bool = True


class Incomplete(msgspec.Struct, frozen=True):
    """Nothing against it so far. `partial` says that a frame has begun."""

    partial: bool


Verdict = Data | Refused | Nonsense | Incomplete


def scan(buffer: bytes, expected: Expected | None, given_up: Container[int]) -> Verdict:
    """Judge everything received since the request was sent (`expected` None: since nothing is being waited for).

    `given_up` holds transaction ids whose answers came too late to be wanted; those are passed over.
    """
    at = 0
    while True:
        rest = len(buffer) - at
        if rest < 6:
            # a wrong protocol id shows after four bytes already: do not wait for more of it
            if rest >= 4 and (buffer[at + 2] or buffer[at + 3]):
                return Nonsense(
                    NOT_MODBUS, f"protocol id {int.from_bytes(buffer[at + 2 : at + 4], 'big')}, expected 0", in_step=False
                )
            return Incomplete(partial=rest > 0)
        transaction = int.from_bytes(buffer[at : at + 2], "big")
        protocol = int.from_bytes(buffer[at + 2 : at + 4], "big")
        length = int.from_bytes(buffer[at + 4 : at + 6], "big")
        if protocol:
            return Nonsense(NOT_MODBUS, f"protocol id {protocol}, expected 0", in_step=False)
        if not 3 <= length <= LONGEST:
            return Nonsense(NOT_MODBUS, f"length field {length}, allowed are 3 to {LONGEST}", in_step=False)
        if rest < 6 + length:
            return Incomplete(partial=True)
        frame = buffer[at : at + 6 + length]
        at += 6 + length
        if expected is None or transaction != expected.transaction:
            if transaction in given_up:
                continue
            if expected is None:
                return Nonsense(UNASKED, f"transaction id {transaction} while nothing was asked")
            return Nonsense(WRONG_TRANSACTION, f"transaction id {transaction}, expected {expected.transaction}")
        return _judge(frame, expected, buffer[:at])


def _judge(frame: bytes, expected: Expected, used: bytes) -> Verdict:
    """A whole frame with the right transaction id."""
    unit, function, length = frame[6], frame[7], len(frame) - 6
    if unit != expected.unit:
        return Nonsense(WRONG_UNIT, f"unit id {unit}, expected {expected.unit}")
    if function == expected.function | 0x80:
        if length != 3:
            return Nonsense(WRONG_LENGTH, f"exception answer with length field {length}, expected 3")
        return Refused(used, frame[8])
    if function != expected.function:
        return Nonsense(WRONG_FUNCTION, f"function code {function}, expected {expected.function}")
    if frame[8] != expected.size or length != 3 + expected.size:
        return Nonsense(
            WRONG_LENGTH, f"byte count {frame[8]} with length field {length}, expected {expected.size} with {3 + expected.size}"
        )
    return Data(used, frame[9:])
