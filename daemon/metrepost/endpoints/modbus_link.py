"""One connection to a Modbus TCP device or gateway: the fence round pymodbus, which only this file and `modbus_rtu_link` import.

What the library does and what is done about it (pymodbus 3.16.1):

* Errors come back as values, are raised from the await, and are raised by the call itself: `read` turns all of them into one
  `Answer | NoAnswer`.
* Transaction id 0 is accepted for any request; function code and byte count are not held against the request; a frame that
  cannot be decoded raises inside the transport. So `trace_packet`, which sees the raw bytes first, lets through only a frame
  that `modbus_frame.scan` has found right, and values are taken from those raw bytes.
* A peer that closes in mid-request does not end the request: `trace_connect` does, by bringing its time-out forward.
* Its receive buffer is emptied without a word at 264 bytes, which a late answer and a right one together exceed: it gets more room.
* Before Python 3.12 `asyncio.wait_for` (in the library) can swallow a cancellation that meets the answer: it is raised again here.
* Retries and reconnection are off: a retried read of a register that is cleared by reading would lose what it held.

Read-only: the client is kept only as its four read methods, and the outgoing hook refuses every other function code.
"""

import asyncio
import os
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Any

import msgspec
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.client.base import ModbusBaseClient
from pymodbus.exceptions import ModbusException

from . import modbus_frame as frame
from .contract import Clock
from .modbus_plan import Request
from .plan import ModbusEndpoint, Table

TIMEOUT = "timeout"
NOT_CONNECTED = "not connected"
LOST = "connection lost"

CONNECT_TIMEOUT = 2.0
"""Shortest time allowed for connecting, seconds (a poll's time-out may be far shorter than a TCP retransmission)."""

_ROOM = 1 << 20
_REMEMBERED = 64


class Answer(msgspec.Struct, frozen=True, gc=False):
    """The data bytes of a right answer. `sent` and `received` are line time; `round_trip` is seconds of monotonic time."""

    data: bytes
    sent: float
    received: float
    round_trip: float


class NoAnswer(msgspec.Struct, frozen=True, gc=False):
    """Why there is no data. `time` (line time) is when it was given up.

    `alive`: the device answered, with an exception. `broken`: the connection is of no more use. `unknown_address`: it refused
    the registers asked for. `unit_silent`: the unit that was asked says nothing (a gateway may say so in its stead).
    `asked`: the request was sent, or should have been; False when it was put off for a reason of our own.
    """

    reason: str
    time: float
    detail: str = ""
    alive: bool = False
    broken: bool = False
    unknown_address: bool = False
    unit_silent: bool = False
    asked: bool = True


def _plain(error: OSError | ValueError) -> str:
    """The system's own words, without asyncio's ("Connect call failed")."""
    number = getattr(error, "errno", None)
    if isinstance(error, OSError) and number is not None and number > 0:
        return os.strerror(number).lower()
    return (getattr(error, "strerror", None) or str(error)).lower()


Read = Callable[..., Awaitable[object]]


class WriteRefusedError(RuntimeError):
    """Somebody tried to send a function code other than 1 to 4: a bug, and the frame has not been sent."""


class FourReads:
    """All that the rest of the house can do with a client: the four reads, and nothing else to get hold of."""

    __slots__ = ("_reads",)

    def __init__(self, client: ModbusBaseClient) -> None:
        self._reads: dict[Table, Read] = {
            "coil": client.read_coils,
            "discrete": client.read_discrete_inputs,
            "holding": client.read_holding_registers,
            "input": client.read_input_registers,
        }

    async def read(self, table: Table, register: int, count: int, unit: int) -> None:
        """Ask once. The answer is judged and kept by the hook, on the raw bytes."""
        await self._reads[table](register, count=count, device_id=unit)


class ModbusLink:
    """One connection, used once: open, read one request at a time, close. Make a new one to connect again."""

    _FUNCTION = 7
    """Where the function code stands in a frame."""

    def __init__(self, endpoint: ModbusEndpoint, clock: Clock) -> None:
        self._endpoint = endpoint
        self._clock = clock
        self._expected: frame.Expected | None = None
        self._size = 0
        self._verdict: frame.Verdict | None = None
        self._scope: asyncio.Timeout | None = None
        self._given_up: deque[int] = deque(maxlen=_REMEMBERED)
        self._sent = self._received = self._sent_monotonic = self._received_monotonic = 0.0
        self._over = asyncio.Event()
        self.why = ""
        """Why the connection is over; the first reason counts."""
        self._refusal = ""
        self.answered = 0
        """Right answers so far, exceptions included."""
        self.silent = 0
        """Requests without a right answer since the last one."""
        limit = max(endpoint.timeout, CONNECT_TIMEOUT)
        self._connect_timeout = limit
        client = self._client(limit + 1.0)  # never reached: the time-outs here come first
        client.ctx.max_buffer_size = _ROOM
        create = client.ctx.call_create

        async def create_and_remember() -> object:
            try:
                return await create()
            except (OSError, ValueError) as error:  # the library only logs it, and the engineer needs it
                self._refusal = self._why_not(error)
                # a host name that cannot be encoded, or a speed that the adapter cannot do, is no OSError but means the same
                raise OSError(self._refusal) from error

        client.ctx.call_create = create_and_remember
        self._connect = client.connect
        self._close = client.close
        self._reads = FourReads(client)

    def _client(self, timeout: float) -> ModbusBaseClient:
        where = self._endpoint
        return AsyncModbusTcpClient(where.host, port=where.port, name=where.name, **self._options(timeout))

    def _options(self, timeout: float) -> dict[str, Any]:
        """What every client is made with: no retries, no reconnection, all bytes through the hook."""
        return {
            "timeout": timeout,
            "retries": 0,
            "reconnect_delay": 0,
            "trace_packet": self._packet,
            "trace_connect": self._connection,
        }

    def _why_not(self, error: OSError | ValueError) -> str:
        return _plain(error)

    async def open(self) -> str:
        """Connect. Returns "" when connected, else why not."""
        where = self._endpoint.where
        task = asyncio.current_task()
        cancelling = task.cancelling() if task else 0
        try:
            async with asyncio.timeout(self._connect_timeout):
                connected = await self._connect()
        except TimeoutError:
            return f"no connection to {where} within {self._connect_timeout:g} s"
        if task and task.cancelling() > cancelling:
            raise asyncio.CancelledError
        return (
            ""
            if connected and not self._over.is_set()
            else f"no connection to {where}: {self._refusal or self.why or 'refused'}"
        )

    async def lost(self) -> str:
        """Wait until the connection is gone or given up. Returns why."""
        await self._over.wait()
        return self.why

    def give_up(self, why: str) -> None:
        """End the connection, and the request that may be waiting."""
        if not self._over.is_set():
            self.why = why
            self._over.set()
        self._end_request()

    def close(self) -> None:
        """Let go of the socket."""
        self.give_up("closed")
        self._close()

    async def read(self, request: Request) -> Answer | NoAnswer:
        """Ask once and wait at most the endpoint's time-out. Never raises for what the field does."""
        if self._over.is_set():
            return NoAnswer(NOT_CONNECTED, self._clock.line_time(), self.why, broken=True)
        task = asyncio.current_task()
        cancelling = task.cancelling() if task else 0
        unit = self._endpoint.unit_id if request.unit_id is None else request.unit_id
        self._size = request.size
        self._expected = None
        not_now = await self._not_now(unit, request)
        if not_now is not None:
            return not_now
        self._verdict = None
        problem = ""
        try:
            async with asyncio.timeout(self._patience(request)) as self._scope:
                await self._reads.read(request.table, request.register, request.count, unit)
        except TimeoutError:
            pass
        except ModbusException as error:
            problem = str(error)
        finally:
            self._scope = None
            expected, self._expected = self._expected, None
            if expected is not None and not isinstance(self._verdict, frame.Data | frame.Refused):
                self._give_up_on(expected)
        if task and task.cancelling() > cancelling:
            raise asyncio.CancelledError
        return self._outcome(problem)

    async def _not_now(self, unit: int, request: Request) -> NoAnswer | None:
        """Why the request cannot be sent now; waits until the connection is ready for it."""
        if isinstance(self._verdict, frame.Incomplete) and self._verdict.partial:
            return self._nonsense(frame.Nonsense(frame.SHORT, "part of an answer is left in the stream", in_step=False))
        return None

    def _patience(self, request: Request) -> float:
        """Longest wait for the answer, seconds."""
        return self._endpoint.timeout

    def _give_up_on(self, expected: frame.Expected) -> None:
        """Its answer, should it come, comes too late."""
        self._given_up.append(expected.transaction)

    def _outcome(self, problem: str) -> Answer | NoAnswer:
        verdict = self._verdict
        if isinstance(verdict, frame.Data):
            self.answered += 1
            self.silent = 0
            return self._answer(verdict.data)
        if isinstance(verdict, frame.Refused):
            self.answered += 1
            self.silent = 0
            return NoAnswer(
                verdict.reason,
                self._clock.line_time(),
                alive=True,
                unknown_address=verdict.code == 2,
                unit_silent=verdict.code in frame.GATEWAY,
            )
        self.silent += 1
        if isinstance(verdict, frame.Nonsense):
            return self._nonsense(verdict)
        now = self._clock.line_time()
        if self._over.is_set():
            return NoAnswer(LOST, now, self.why, broken=True)
        if problem:
            return NoAnswer(NOT_CONNECTED, now, problem, broken=True)
        if isinstance(verdict, frame.Incomplete) and verdict.partial:
            # the rest may come at any time and would be taken for the start of something else
            return self._broken_off(now)
        return NoAnswer(TIMEOUT, now, f"no answer within {self._endpoint.timeout:g} s", unit_silent=True)

    def _answer(self, data: bytes) -> Answer:
        return Answer(data, self._sent, self._received, self._received_monotonic - self._sent_monotonic)

    def _broken_off(self, now: float) -> NoAnswer:
        return NoAnswer(frame.SHORT, now, "the answer broke off", broken=True)

    def _nonsense(self, verdict: frame.Nonsense) -> NoAnswer:
        return NoAnswer(verdict.reason, self._clock.line_time(), verdict.detail, broken=not verdict.in_step)

    def _packet(self, sending: bool, data: bytes) -> bytes:
        """The library's hook on raw bytes: everything to be sent, and everything received since."""
        if not sending:
            return self._receiving(data)
        function = data[self._FUNCTION : self._FUNCTION + 1]
        if not b"\x01" <= function <= b"\x04":
            raise WriteRefusedError(f"function code {function.hex()} refused: this program only reads (function codes 1 to 4)")
        self._expected = self._expect(data)
        self._sent, self._sent_monotonic = self._clock.line_time(), self._clock.monotonic()
        return data

    def _expect(self, sent: bytes) -> frame.Expected:
        """What the answer to these bytes must carry."""
        return frame.Expected(int.from_bytes(sent[:2], "big"), sent[6], sent[7], self._size)

    def _receiving(self, data: bytes) -> bytes:
        """Judge everything received since the request was sent; what is returned goes on to the library."""
        if self._expected is not None and isinstance(self._verdict, frame.Data | frame.Refused | frame.Nonsense):
            return b""  # judged already; the task has not run yet
        verdict = frame.scan(data, self._expected, self._given_up)
        if self._expected is None:
            if isinstance(verdict, frame.Nonsense):
                self.give_up(f"{verdict.reason}: {verdict.detail}")
            else:
                self._verdict = verdict
            return b""
        return self._settle(verdict)

    def _settle(self, verdict: frame.Verdict) -> bytes:
        """Keep a verdict on the awaited answer; the bytes that the library may see."""
        self._verdict = verdict
        if isinstance(verdict, frame.Data | frame.Refused):
            self._received, self._received_monotonic = self._clock.line_time(), self._clock.monotonic()
            return verdict.used
        if isinstance(verdict, frame.Nonsense):
            self._end_request()
        return b""

    def _connection(self, connected: bool) -> None:
        """The library's hook on connects and losses."""
        if not connected:
            self.give_up("the device closed the connection")

    def _end_request(self) -> None:
        if self._scope is not None and not self._scope.expired():
            self._scope.reschedule(0.0)
