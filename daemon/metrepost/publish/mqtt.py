"""The publisher of one line: keeps a connection to the broker and lets a session send on it. For ever, until cancelled."""

import asyncio
import random
from collections.abc import Callable, Mapping
from typing import NamedTuple, NoReturn

import msgspec
import structlog

from ..endpoints.contract import Clock
from ..journal import AsyncJournal
from ..readings import Measured, Tag
from ..readings.moment import rfc3339
from . import topics
from .backoff import delay
from .cloudevents import STREAMS, Stream
from .connection import Connection, ConnectionFailedError, RefusedError
from .payloads import StatePayload, encode_state
from .plan import MqttPlan
from .readings_out import ReadingsOut
from .session import Account, Session

STEADY = 10.0
"""A connection that held for so long (s), or delivered a row, ends a series of failures."""

log = structlog.get_logger("metrepost.publish")


class Statistics(NamedTuple):
    """Counts since the start of the daemon. `backlog` rows wait to be delivered; `trouble` is the last thing that went wrong."""

    connected: bool
    since: float
    outstanding: int
    delivered: int
    unheard: int
    refused: int
    set_aside: int
    backlog: int
    sent_readings: int
    dropped_readings: int
    connections: int
    failures: int
    trouble: str


class MqttPublisher:
    """Publishes a journal, and readings beside it.

    `root` is `LinePlan.root`. `status` gives what the service knows of the line for the `state` topic; the publisher fills in
    `online`, `epoch` and its own counts. `tags` are those whose readings are sent. `jitter` is uniform in [0, 1).
    """

    def __init__(
        self,
        plan: MqttPlan,
        root: str,
        journal: AsyncJournal,
        clock: Clock,
        *,
        status: Callable[[], StatePayload],
        tags: Mapping[str, Tag] | None = None,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        self._plan = plan
        self._root = root
        self._journal = journal
        self._clock = clock
        self._status = status
        self._jitter = jitter
        self._readings = ReadingsOut(tags or {})
        self._account = Account(
            cursors={s: journal.positions(s).delivered for s in STREAMS}, delivered=dict.fromkeys(STREAMS, 0)
        )
        self._client_id = plan.client_id or f"metrepost-{journal.line}-{journal.epoch}"
        self._session: Session | None = None
        self._since = clock.line_time()
        self._connections = 0
        self._failures = 0
        journal.on_news(self._news)

    async def run(self) -> NoReturn:
        """Connect, send, and connect again with backoff and jitter. Cancelling ends it at once, `state` offline.

        Raises JournalDamagedError; whatever the broker does is told in `statistics` and tried again.
        """
        in_a_row = 0
        while True:
            started = self._clock.monotonic()
            refused, progressed = False, False
            try:
                progressed = await self._connect_and_send()
            except ConnectionFailedError as error:
                refused = isinstance(error, RefusedError)
                self._account.trouble = str(error)
            self._failures += 1
            steady = progressed or self._clock.monotonic() - started > STEADY
            in_a_row = 1 if steady else in_a_row + 1
            wait = delay(in_a_row, self._jitter(), refused=refused)
            log.warning("broker", line=self._journal.line, trouble=self._account.trouble, again_in=round(wait, 1))
            await asyncio.sleep(wait)

    async def _connect_and_send(self) -> bool:
        """One connection from end to end; returns whether it delivered any row."""
        session: Session | None = None

        def acknowledged(mid: int, reason: int) -> None:
            if session is not None:
                session.acknowledge(mid, reason)

        will = (self._root + topics.STATE, encode_state(self._state(online=False)))
        connection = Connection(self._plan, self._client_id, will, acknowledged)
        before = dict(self._account.cursors)
        try:
            granted = await connection.open()
            session = Session(
                self._plan, self._root, self._journal, self._account, connection, granted, self._online, self._jitter
            )
            self._began(connection, session)
            why = await session.run()
        finally:
            self._session = None
            self._readings.disconnected()
            connection.close()
            self._since = self._clock.line_time()
            self._account.outstanding = 0
        self._account.trouble = f"{session.refusal + '; ' if session.refusal else ''}the connection was lost: {why}"
        if not session.timed_out and (guilty := self._account.suspicion.lost(session.heads())) is not None:
            self._account.condemned.append((guilty, "the broker ended the connection each time it was sent"))
        return self._account.cursors != before

    def _began(self, connection: Connection, session: Session) -> None:
        self._connections += 1
        self._since = self._clock.line_time()
        self._session = session
        connection.when(room=self._readings.room, read=session.fill)
        self._readings.connected(
            lambda topic, payload: connection.send_and_forget(self._root + topic, payload), lambda: connection.congested
        )
        log.info("broker connected", line=self._journal.line, host=self._plan.host, port=self._plan.port)
        session.fill()

    def _news(self) -> None:
        if self._session is not None:
            self._session.wake()

    # ---- what others call -------------------------------------------------------------------------------------------------

    def offer(self, m: Measured) -> None:
        """Send a reading at QoS 0 if it changed. Never blocks, never raises."""
        self._readings.offer(m)

    def retag(self, tags: Mapping[str, Tag]) -> None:
        """The line has other tags from now on."""
        self._readings.retag(tags)

    def state_changed(self) -> None:
        """Have the `state` topic sent now; otherwise it goes out every `state_every` seconds when something changed."""
        if self._session is not None:
            self._session.state_changed()

    async def drained(self) -> None:
        """Wait until every committed row is delivered. Give it a time-out: the broker may be away."""
        await self._journal.drained()

    def statistics(self) -> Statistics:
        """Where the publisher stands."""
        a = self._account
        return Statistics(
            connected=self._session is not None,
            since=self._since,
            outstanding=a.outstanding,
            delivered=sum(a.delivered.values()),
            unheard=a.unheard,
            refused=a.refused,
            set_aside=a.set_aside,
            backlog=sum(self._backlog().values()),
            sent_readings=self._readings.sent,
            dropped_readings=self._readings.dropped,
            connections=self._connections,
            failures=self._failures,
            trouble=a.trouble,
        )

    def _online(self) -> StatePayload:
        return self._state(online=True)

    def _backlog(self) -> dict[Stream, int]:
        positions = {s: self._journal.positions(s) for s in STREAMS}
        return {s: p.last - max(p.delivered, self._account.cursors[s]) for s, p in positions.items()}

    def _state(self, *, online: bool) -> StatePayload:
        return msgspec.structs.replace(
            self._status(),
            online=online,
            time=rfc3339(self._clock.line_time()),
            epoch=self._journal.epoch,
            delivered=sum(self._account.delivered.values()),
            unheard=self._account.unheard,
            refused=self._account.refused,
            lost=sum(self._journal.positions(s).lost for s in STREAMS),
            backlog=dict(self._backlog()),
            dropped_readings=self._readings.dropped,
        )
