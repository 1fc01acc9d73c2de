"""What is sent on one connection, in which order, and how far it has arrived.

Order: the line's `state`, then present states (alarms, reels, load), then both streams in turn from their cursors, all
together at most a window of unacknowledged messages. Sending happens where acknowledgements come in, on the loop, from rows
read ahead; reading ahead and moving the cursors in the journal run beside it.
"""

import asyncio
from collections import deque
from collections.abc import Callable

import msgspec
import structlog

from ..journal import AsyncJournal, JournalDamagedError, JournalError, PresentState, Row
from . import reasons, topics
from .backoff import delay
from .cloudevents import STREAMS, Stream
from .connection import CLOUDEVENT, JSON, Connection, ConnectionFailedError, Granted
from .payloads import StatePayload, encode_state
from .plan import MqttPlan
from .poison import Suspicion
from .window import Window

AHEAD = 512
"""Rows read ahead of sending, a stream; read again when half of them are gone."""
CURSOR_EVERY = 0.05
"""Seconds between two writes of the cursors under load: what was acknowledged since the last may be sent twice after a crash."""

log = structlog.get_logger("metrepost.publish")

Key = tuple[Stream, int] | tuple[str, int]
"""A row by stream and sequence, or a present state by topic and version."""


class Account(msgspec.Struct):
    """What outlives a connection: cursors as acknowledged, counts since the start, who is suspected, who must wait.

    `held` says until when (time of the loop) a stream, or ``state`` for the present states, waits after it was refused;
    `refusals` how often in a row it was. Some brokers end the connection after a refusal, so both are kept over connections.
    """

    cursors: dict[Stream, int]
    delivered: dict[Stream, int]
    unheard: int = 0
    refused: int = 0
    set_aside: int = 0
    outstanding: int = 0
    trouble: str = ""
    suspicion: Suspicion[Key] = msgspec.field(default_factory=Suspicion)
    condemned: list[tuple[Key, str]] = msgspec.field(default_factory=list)
    held: dict[str, float] = msgspec.field(default_factory=dict)
    refusals: dict[str, int] = msgspec.field(default_factory=dict)
    skipped: set[Key] = msgspec.field(default_factory=set)


class Session:
    """One connection's worth of sending."""

    def __init__(
        self,
        plan: MqttPlan,
        root: str,
        journal: AsyncJournal,
        account: Account,
        connection: Connection,
        granted: Granted,
        own_state: Callable[[], StatePayload],
        jitter: Callable[[], float],
    ) -> None:
        self._plan = plan
        self._root = root
        self._journal = journal
        self._account = account
        self._connection = connection
        self._granted = granted
        self._own_state = own_state
        self._jitter = jitter
        self._loop = asyncio.get_running_loop()
        self._limit = max(1, min(plan.window, granted.receive_maximum))
        for stream in STREAMS:
            account.cursors[stream] = max(account.cursors[stream], journal.positions(stream).delivered)
        for what, refusals in account.refusals.items():
            # the others go first: a broker that ends the connection after a refusal would let none of them through
            account.held[what] = self._loop.time() + delay(refusals, jitter())
        self._windows = {s: Window(account.cursors[s]) for s in STREAMS}
        self._ahead: dict[Stream, deque[Row]] = {s: deque() for s in STREAMS}
        self._read_upto = dict(account.cursors)
        self._turn: list[Stream] = list(STREAMS)
        self._states: deque[PresentState] = deque()
        self._version = 0
        self._news = True
        self._reading_states = False
        self._state_due = True
        self._outstanding: dict[int, tuple[Key | None, PresentState | None, float]] = {}
        self._cleared: list[PresentState] = []
        self._written = {s: journal.positions(s).delivered for s in STREAMS}
        self._written_at = 0.0
        self._wake = asyncio.Event()
        self.acknowledged = 0
        self.timed_out = False
        self.refusal = ""

    # ---- the part that waits --------------------------------------------------------------------------------------------

    async def run(self) -> str:
        """Send until the connection is lost; returns why it was. Raises JournalDamagedError."""
        self._connection.lost.add_done_callback(lambda _: self._wake.set())
        next_state = self._loop.time() + self._plan.state_every
        last_state = self._own_state()
        while not self._connection.lost.done():
            self._wake.clear()
            try:
                await self._work()
            except JournalDamagedError:
                raise
            except JournalError as error:
                # a full disk stops cursors, not sending; the next round tries again
                self._tell(str(error))
                await asyncio.sleep(1.0)
            now = self._loop.time()
            if now >= next_state:
                next_state = now + self._plan.state_every
                state = self._own_state()
                self._state_due = state != msgspec.structs.replace(last_state, time=state.time)
                last_state = state
            self.fill()
            if self._overdue(now):
                self.timed_out = True
                return f"the broker acknowledged nothing for {self._plan.ack_timeout:g} s"
            if not self._wake.is_set():
                try:
                    async with asyncio.timeout(CURSOR_EVERY if self._cursors_moved() else 0.5):
                        await self._wake.wait()
                except TimeoutError:
                    pass
        return self._connection.lost.result()

    def wake(self) -> None:
        """There is news in the journal."""
        self._news = True
        self._wake.set()

    def state_changed(self) -> None:
        """Send the line's `state` now."""
        self._state_due = True
        self.fill()

    async def _work(self) -> None:
        now = self._loop.time()
        if self._news and self._may("state", now):
            self._news, self._reading_states = False, True
            try:
                states = await self._journal.states(self._version)
            except JournalError:
                self._news = True
                raise
            finally:
                self._reading_states = False
            if states:
                self._version = states[-1].version
                newer = {s.topic for s in states}
                self._states = deque([s for s in self._states if s.topic not in newer] + states)
                self.fill()
        for stream in STREAMS:
            await self._read_ahead(stream)
        idle = not self._outstanding
        if self._cursors_moved() and (idle or now - self._written_at >= CURSOR_EVERY):
            self._written_at = now
            await self._write_cursors()
        while self._cleared:
            await self._journal.forget_state(self._cleared[-1])
            self._cleared.pop()
        while self._account.condemned:
            await self._set_aside(*self._account.condemned[0])
            self._account.condemned.pop(0)
            self._wake.set()

    async def _read_ahead(self, stream: Stream) -> None:
        if len(self._ahead[stream]) > AHEAD // 2 or not self._may(stream, self._loop.time()):
            return
        if self._journal.positions(stream).last <= self._read_upto[stream]:
            return
        after = self._read_upto[stream]
        rows = await self._journal.pending(stream, AHEAD, after)
        if rows and after == self._read_upto[stream]:  # the stream was not put back while this was read
            self._ahead[stream].extend(rows)
            self._read_upto[stream] = rows[-1].sequence
            self.fill()
            if len(rows) == AHEAD:
                self._wake.set()

    def _cursors_moved(self) -> bool:
        return any(self._account.cursors[s] > self._written[s] for s in STREAMS)

    async def _write_cursors(self) -> None:
        for stream in STREAMS:
            upto = self._account.cursors[stream]
            if upto > self._written[stream]:
                await self._journal.delivered(stream, upto)
                self._written[stream] = upto

    async def _set_aside(self, key: Key, why: str) -> None:
        """Pass a message over that this broker will not take, and go on behind it."""
        name, number = key
        if name not in STREAMS:
            self._account.skipped.add(key)
            self._tell(f"the present state {name} cannot be delivered: {why}")
            return
        stream: Stream = "event" if name == "event" else "rollup"
        await self._write_cursors()
        if number == self._journal.positions(stream).delivered + 1:
            await self._journal.set_aside(stream, number, why)
            self._account.set_aside += 1
            self._tell(f"row {number} of {stream} was set aside: {why}")
        self._account.cursors[stream] = self._written[stream] = self._journal.positions(stream).delivered
        self._put_back(stream)

    def _tell(self, trouble: str) -> None:
        self._account.trouble = trouble
        log.warning("publishing", line=self._journal.line, trouble=trouble)

    # ---- the part that never waits ---------------------------------------------------------------------------------------

    def fill(self) -> None:
        """Send while the window is open."""
        if self._connection.lost.done() or self._account.condemned:
            return
        limit = 1 if self._account.suspicion.cautious else self._limit
        try:
            while len(self._outstanding) < limit and self._send_next():
                pass
        except ConnectionFailedError:
            self._wake.set()
        self._account.outstanding = len(self._outstanding)

    def _send_next(self) -> bool:
        now = self._loop.time()
        if self._state_due:
            self._state_due = False
            mid = self._connection.send(self._root + topics.STATE, encode_state(self._own_state()), retain=True)
            self._outstanding[mid] = (None, None, now)
            return True
        while self._states:
            state = self._states.popleft()
            key = (state.topic, state.version)
            if key in self._account.skipped:
                continue
            if (why := self._too_large(state.topic, state.payload)) is not None:
                self._condemn(key, why)
                return False
            mid = self._connection.send(self._root + state.topic, state.payload, retain=True, properties=JSON)
            self._outstanding[mid] = (key, state, now)
            return True
        if self._reading_states or (self._news and self._may("state", now)):
            return False  # a state goes ahead of the rows that were committed with it
        for stream in self._turn:
            ahead = self._ahead[stream]
            if not ahead or not self._may(stream, now):
                continue
            row = ahead[0]
            if (why := self._too_large(row.topic, row.payload)) is not None:
                if self._windows[stream].head is not None:
                    continue  # all before it must have arrived before it can be passed over
                self._condemn((stream, row.sequence), why)
                return False
            ahead.popleft()
            mid = self._connection.send(self._root + row.topic, row.payload, properties=CLOUDEVENT)
            self._windows[stream].sent(row.sequence)
            self._outstanding[mid] = ((stream, row.sequence), None, now)
            if len(ahead) == AHEAD // 2:
                self._wake.set()
            self._turn.reverse()
            return True
        return False

    def _too_large(self, topic: str, payload: bytes) -> str | None:
        most = self._granted.maximum_packet_size
        size = len(payload) + len(self._root) + len(topic) + 64  # fixed header, ids and properties are below 64 bytes
        if most is None or size <= most:
            return None
        return f"{len(payload)} bytes are more than this broker takes (packets of {most} bytes)"

    def _condemn(self, key: Key, why: str) -> None:
        """Have a message set aside; nothing is sent before that is done."""
        self._account.condemned.append((key, why))
        self._wake.set()

    def acknowledge(self, mid: int, reason: int) -> None:
        """A PUBACK came in."""
        sent = self._outstanding.pop(mid, None)
        if sent is None:
            return  # of a row that was put back meanwhile: it is sent again
        self.acknowledged += 1
        key, state, _ = sent
        if key is None:
            return
        if reason >= reasons.FAILURE:
            self._refuse(key, state, reason)
            return
        self._account.suspicion.cleared(key)
        self._account.refusals.pop("state" if state is not None else str(key[0]), None)
        if state is not None:
            if not state.payload:
                self._cleared.append(state)
                self._wake.set()
            return
        stream: Stream = "event" if key[0] == "event" else "rollup"
        if reason == reasons.NO_MATCHING_SUBSCRIBERS:
            self._account.unheard += 1
        window = self._windows[stream]
        if window.acknowledged(key[1]):
            self._account.delivered[stream] += window.cursor - self._account.cursors[stream]
            self._account.cursors[stream] = window.cursor
        if not self._outstanding:
            self._wake.set()

    def _refuse(self, key: Key, state: PresentState | None, reason: int) -> None:
        """The broker took the message and said no. Nothing is given up for that, unless it is the message itself."""
        self._account.refused += 1
        why = f"the broker answered {reasons.word(reason)}"
        if reason in reasons.OF_THE_MESSAGE:
            self._condemn(key, why)
            if state is None:
                self._put_back("event" if key[0] == "event" else "rollup")
            return
        what = "state" if state is not None else str(key[0])
        self._account.refusals[what] = self._account.refusals.get(what, 0) + 1
        wait = delay(self._account.refusals[what], self._jitter())
        self._account.held[what] = self._loop.time() + wait
        if state is not None:
            self._version, self._news = 0, True
            self.refusal = f"{self._root}{state.topic}: {why}"
            self._tell(f"{self.refusal}; trying again in {wait:.1f} s")
            return
        self._put_back("event" if what == "event" else "rollup")
        self.refusal = f"stream {what} from row {key[1]}: {why}"
        self._tell(f"{self.refusal}; trying again in {wait:.1f} s")

    def _may(self, what: str, now: float) -> bool:
        """Whether a stream, or the present states, need not wait after a refusal."""
        return now >= self._account.held.get(what, 0.0)

    def _put_back(self, stream: Stream) -> None:
        """Begin a stream again at its cursor. What was sent behind it may be sent twice."""
        self._outstanding = {m: s for m, s in self._outstanding.items() if s[0] is None or s[0][0] != stream}
        self._windows[stream] = Window(self._account.cursors[stream])
        self._ahead[stream].clear()
        self._read_upto[stream] = self._account.cursors[stream]

    def _overdue(self, now: float) -> bool:
        oldest = next(iter(self._outstanding.values()), None)
        return oldest is not None and now - oldest[2] > self._plan.ack_timeout

    def heads(self) -> list[Key]:
        """The oldest outstanding message of each stream, and of the present states."""
        heads: list[Key] = [(s, w.head) for s, w in self._windows.items() if w.head is not None]
        for key, state, _ in self._outstanding.values():
            if key is not None and state is not None:
                return [key, *heads]
        return heads
