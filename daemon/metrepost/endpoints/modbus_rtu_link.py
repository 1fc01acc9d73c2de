"""One connection to a Modbus RTU line, over a serial device or behind a TCP gateway.

RTU frames have no transaction id, so an answer that comes after it was given up cannot be told from the next one when unit id,
function code and byte count are the same. What is done about it:

* A request with those of an answer that was given up is not sent for a further `timeout`, unless the late answer has come
  meanwhile. Others are asked; the line does not wait.
* A late answer that can be told apart is passed over; what comes while nothing is asked is dropped.

On a serial device a frame is sent only after the silence that the standard asks for (3.5 characters), and 50 ms without a further
byte end an answer that is not right. The standard's 1.5 characters within a frame cannot be seen from here: adapters and kernel
hand bytes over in lumps. With a wrong CRC, length, unit or function the answer is bad anyway.
"""

import asyncio
from typing import NamedTuple

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.client.base import ModbusBaseClient
from pymodbus.framer import FramerType

from . import modbus_frame as frame
from . import modbus_rtu_frame as rtu
from .contract import Clock
from .modbus_link import Answer, ModbusLink, NoAnswer
from .modbus_plan import Request
from .plan import ModbusEndpoint

HELD_BACK = "held back"
NOISE = "line not silent"
PAUSE = 0.05
"""Seconds without a byte after which an answer on a serial device has ended (USB adapters keep bytes for up to 16 ms)."""


class _Late(NamedTuple):
    expected: frame.Expected
    until: float


class ModbusRtuLink(ModbusLink):
    """As ModbusLink, for RTU frames."""

    _FUNCTION = 1

    def __init__(self, endpoint: ModbusEndpoint, clock: Clock) -> None:
        super().__init__(endpoint, clock)
        self._serial = endpoint.serial
        self._late: list[_Late] = []
        self._request = b""
        self._buffer = b""
        self._passed = 0
        self._quiet_since = self._deadline = 0.0

    def _client(self, timeout: float) -> ModbusBaseClient:
        where, line = self._endpoint, self._endpoint.serial
        options = self._options(timeout) | {"framer": FramerType.RTU, "name": where.name}
        if line is None:
            return AsyncModbusTcpClient(where.host, port=where.port, **options)
        parity = line.parity[0].upper()
        return AsyncModbusSerialClient(line.device, baudrate=line.baud, parity=parity, stopbits=line.stop_bits, **options)

    def _why_not(self, error: OSError | ValueError) -> str:
        why = super()._why_not(error)
        if isinstance(error, PermissionError) or why == "permission denied":
            return f"{why}; the daemon's user must be in the group of the device file (often dialout)"
        if "exclusively lock" in str(error):
            return "another program has it open; a serial line has one master"
        return why

    def _character(self) -> float:
        """Seconds that one character takes on the line; 0 where a gateway looks after it."""
        return self._serial.character if self._serial else 0.0

    def _patience(self, request: Request) -> float:
        # the time-out is the device's; the line's own time for both frames comes on top
        return self._endpoint.timeout + (rtu.REQUEST + rtu.FRAME + request.size) * self._character()

    async def _not_now(self, unit: int, request: Request) -> NoAnswer | None:
        now = self._clock.monotonic()
        self._late = [late for late in self._late if late.until > now]
        wanted = frame.Expected(0, unit, request.function, request.size)
        if any(late.expected == wanted for late in self._late):
            detail = "an answer that was given up may still come, and could not be told from this one's"
            return NoAnswer(HELD_BACK, self._clock.line_time(), detail, asked=False)
        if self._serial is None:
            return None
        until = now + self._endpoint.timeout
        while (rest := self._quiet_since + self._serial.silence - self._clock.monotonic()) > 0.0:
            if self._clock.monotonic() > until:
                self.silent += 1
                return NoAnswer(NOISE, self._clock.line_time(), "bytes come without a pause while nothing is asked")
            await asyncio.sleep(rest)
        return None

    def _give_up_on(self, expected: frame.Expected) -> None:
        # when as many bytes came as the answer has, they were the answer, garbled
        if len(self._buffer) < rtu.FRAME + expected.size:
            self._late.append(_Late(expected, self._clock.monotonic() + self._endpoint.timeout))

    def _expect(self, sent: bytes) -> frame.Expected:
        self._request, self._buffer, self._passed = sent, b"", 0
        self._quiet_since = self._clock.monotonic() + len(sent) * self._character()
        self._deadline = (self._scope.when() if self._scope else None) or 0.0
        return frame.Expected(0, sent[0], sent[1], self._size)

    def _receiving(self, data: bytes) -> bytes:
        self._quiet_since = max(self._quiet_since, self._clock.monotonic())
        self._pass_over(data)
        self._buffer = data[self._passed :]
        if self._expected is None or isinstance(self._verdict, frame.Data | frame.Refused | frame.Nonsense):
            return b""
        verdict = rtu.scan(self._buffer, self._expected)
        if self._serial and isinstance(verdict, frame.Incomplete) and self._scope is not None and not self._scope.expired():
            # what has not begun to arrive has all its time; what has, ends with the first pause
            pause = asyncio.get_running_loop().time() + PAUSE
            self._scope.reschedule(min(self._deadline, pause) if self._buffer else self._deadline)
        return self._settle(verdict)

    def _pass_over(self, data: bytes) -> None:
        """Leave out answers that come too late."""
        while found := rtu.late(data[self._passed :], [late.expected for late in self._late]):
            end, gone = found
            self._passed += end
            self._late = [late for late in self._late if late.expected != gone]

    def _answer(self, data: bytes) -> Answer:
        # the value was taken after the request had arrived and before its answer set out
        sent = self._sent + rtu.REQUEST * self._character()
        received = self._received - (rtu.FRAME + len(data)) * self._character()
        if received < sent:  # a line faster than its settings say
            sent, received = self._sent, self._received
        return Answer(data, sent, received, self._received_monotonic - self._sent_monotonic)

    def _broken_off(self, now: float) -> NoAnswer:
        assert self._buffer
        expected = frame.Expected(0, self._request[0], self._request[1], self._size)
        wrong = rtu.diagnose(self._buffer, expected, self._request)
        return NoAnswer(wrong.reason, now, wrong.detail)
