"""One line, running: endpoints → inbox → core → journal → broker, people and view, under one task group.

Decide, then do: the core says what is to be told, this file does it. Alarms and rollups are committed before anything hears of them.
"""

import asyncio
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec
import structlog

from . import __version__
from .alarms.load import AlarmLoad
from .alarms.machine import Refused
from .assembly import assemble
from .clock import SystemClock
from .configuration.difference import differences, needs_restart
from .configuration.plan import LoadedLine
from .core import Core, Output
from .doors.asking import Asked, answer_to
from .doors.local import LocalDoor
from .doors.request import Answer, Request
from .ending import end
from .endpoints.contract import EndpointRunner
from .endpoints.start import runner_for
from .events import AlarmState, Change, ConfigurationEvent, Event, ReelState, RollupOut
from .health.figures import LineFigures, Standing
from .journal import AsyncJournal, Item, Journal, JournalError, Present, Retention, Snapshot
from .notify import Notifier
from .publish import topics
from .publish.cloudevents import STREAMS, Stream, decode_event, decode_rollup
from .publish.mqtt import MqttPublisher
from .publish.payloads import EndpointHealth, StatePayload
from .readings import Act, Input, Measured, Reading, Tick
from .readings.moment import rfc3339
from .reload import successor

if TYPE_CHECKING:
    from .recordings.recorder import Recorder  # its libraries are loaded only when something is recorded

TICK = 0.1
"""Line time between two ticks, seconds."""
SNAPSHOT_EVERY = 10.0
"""Line time between two snapshots of the whole core, seconds, at least."""
SNAPSHOT_SHARE = 0.02
"""Snapshots of a line with thousands of tags take seconds; they come less often then, so that they take no more of the time than this."""
PLACE_EVERY = 1.0
"""Line time between two snapshots of where the line stands, seconds: what a kill makes uncertain is no longer than this."""
INBOX = 200_000
"""Inputs that wait for the core at most; the oldest readings go first and are counted. Acts are never dropped."""
UNCOMMITTED = 50_000
"""Outputs that wait for the journal at most while its disk is full; the oldest rollups go first, then events; counted."""
CHANGES = 200
"""Changed keys that the event of a reload lists at most."""
FLUSH = 3.0
"""Seconds that a graceful stop gives the broker and the people's channels."""

log = structlog.get_logger("metrepost.service")
Listener = Callable[[Output], None]
_PEOPLE = "@people"
_DOOR = "@door"


class LineService:
    """The daemon for one line. `run` returns after `stop` was set and everything is flushed.

    `listeners` see every output of the core in order, after its commit. Raises JournalError when the state folder cannot be used.
    """

    def __init__(
        self,
        loaded: LoadedLine,
        state_folder: Path,
        *,
        clock: SystemClock | None = None,
        listeners: Sequence[Listener] = (),
        retention: Retention | None = None,
        recorder: "Recorder | None" = None,
    ) -> None:
        self.loaded = loaded
        self.plan = loaded.plan
        self.clock = clock or SystemClock()
        self.core: Core = assemble(loaded)
        self._listeners = list(listeners)
        self._recorder = recorder
        self._folder = state_folder
        self._journal = AsyncJournal(
            Journal.open(
                state_folder,
                self.plan.name,
                source=self.plan.source,
                retention=retention,
                now=self.clock.line_time,
            )
        )
        self._inbox: deque[Reading | Act] = deque()
        self._wake = asyncio.Event()
        self._pending: list[Output] = []
        self.dropped: dict[str, int] = {}
        self.runners: list[EndpointRunner] = [runner_for(e, self._deliver, self.clock) for e in loaded.endpoints]
        self.publisher = MqttPublisher(
            loaded.mqtt, self.plan.root, self._journal, self.clock, status=self._status, tags=self.plan.tags
        )
        self.notifier = Notifier(loaded.notify, self.plan.source, self.clock)
        self._began = self.clock.monotonic()
        self._begin(self.clock.line_time())
        self._journal_down = ""
        self.ready = asyncio.Event()
        self._inputs = 0
        self._ticked = self.clock.monotonic()
        self._next: tuple[LoadedLine, asyncio.Future[None]] | None = None
        self._taken: asyncio.Future[None] | None = None
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._group: asyncio.TaskGroup | None = None
        self._commits = 0
        self._asked: dict[int, Asked] = {}
        self._door = self._make_door()
        self._acts_before: Counter[str] = Counter()
        self._ending = False

    def _begin(self, now: float) -> None:
        self._started = self._next_tick = now
        self._next_snapshot = now + SNAPSHOT_EVERY
        self._next_place = now + PLACE_EVERY

    # ---- the loop --------------------------------------------------------------------------------------------------------

    async def run(self, stop: asyncio.Event) -> None:
        """Watch the line until `stop` is set, then flush: inbox, journal, broker, people."""
        try:
            await self._resume()
            async with asyncio.TaskGroup() as group:
                self._group = group
                for runner in self.runners:
                    self._watch(runner)
                clock = group.create_task(self._tick_and_look(), name="clock")
                publisher = group.create_task(self.publisher.run(), name="publisher")
                self._tell_people(self.notifier)
                self._open_door()
                core = group.create_task(self._run_core(), name="core")
                recorder = [] if self._recorder is None else [group.create_task(self._recorder.run(), name="recorder")]
                self.ready.set()
                await stop.wait()
                self._ending = True
                await end(clock, *(self._tasks.pop(r.health.endpoint) for r in self.runners))
                await end(core)
                await self._finish()
                await end(publisher, *self._tasks.values(), *recorder)
        finally:
            if self._recorder is not None:
                await self._recorder.close()
            await self._journal.close()

    def _watch(self, runner: EndpointRunner) -> None:
        assert self._group is not None
        name = runner.health.endpoint
        self._tasks[name] = self._group.create_task(runner.run(), name=f"endpoint {name}")

    def _tell_people(self, notifier: Notifier) -> None:
        assert self._group is not None
        self._tasks[_PEOPLE] = self._group.create_task(notifier.run(), name="notifier")

    def _deliver(self, batch: Sequence[Reading | Act]) -> None:
        """Endpoints hand their readings over here. Never blocks."""
        inbox = self._inbox
        inbox.extend(batch)
        if len(inbox) > INBOX:
            self._shed()
        self._wake.set()

    def _shed(self) -> None:
        keep = deque(item for i, item in enumerate(self._inbox) if isinstance(item, Act) or i >= len(self._inbox) - INBOX // 2)
        self._count("readings before the core", len(self._inbox) - len(keep))
        self._inbox = keep

    def _count(self, what: str, n: int) -> None:
        if n > 0:
            self.dropped[what] = self.dropped.get(what, 0) + n

    def act(self, act: Act) -> None:
        """An act from inside the program (commands, tests)."""
        self._deliver([act])

    async def ask(self, request: Request, who: str) -> Answer:
        """An act from outside: into the one ordered list with the line time of now, answered when what it changed is committed."""
        if self._ending:
            return Answer(outcome="refused", why="the daemon is stopping", who=who)
        act = request.at(self.clock.line_time(), who)
        asked = self._asked[id(act)] = Asked(act)
        try:
            self._deliver([act])
            return await answer_to(asked, self._journal.epoch, self._journal_down)
        finally:
            del self._asked[id(act)]

    async def _tick_and_look(self) -> None:
        looked = self.clock.monotonic()
        while True:
            await asyncio.sleep(TICK / max(1.0, self.clock.rate))
            if self.clock.monotonic() - looked >= 1.0:
                looked = self.clock.monotonic()
                step = self.clock.look()
                if step:
                    log.warning("wall clock stepped", line=self.plan.name, seconds=round(step, 3))
                    self._deliver([Act("clock_step", self.clock.line_time(), who="clock", amount=step)])
            self._wake.set()

    async def _run_core(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            self._eat()
            await self._commit()
            if self._next is not None and not self._pending:
                await self._take_over(*self._next)

    def _eat(self) -> None:
        """Feed what has arrived, then the ticks up to now: the order in which the core sees them is the order of arrival."""
        feed = self.core.feed if self._recorder is None else self._record_and_feed
        self._inputs += len(self._inbox)
        for _ in range(len(self._inbox)):
            item = self._inbox.popleft()
            outputs = feed(item)
            if self._asked and id(item) in self._asked:
                self._asked[id(item)].caused(outputs)
            self._tell(outputs)
        now = self.clock.line_time()
        while self._next_tick <= now:
            self._tell(feed(Tick(self._next_tick)))
            self._next_tick += TICK
        self._ticked = self.clock.monotonic()

    def _record_and_feed(self, item: Input) -> list[Output]:
        assert self._recorder is not None
        self._recorder.note(item)
        return self.core.feed(item)

    def _tell(self, outputs: Sequence[Output]) -> None:
        for item in outputs:
            if type(item) is Measured:
                self.publisher.offer(item)
                for listener in self._listeners:
                    listener(item)
            else:
                self._pending.append(item)

    async def _commit(self) -> None:
        """Commit what the core said, then tell people and listeners. A full disk is waited out; nothing is told uncommitted."""
        now = self.clock.line_time()
        whole = now >= self._next_snapshot
        # where the line stands goes with every event: what a kill makes a gap begins behind what was told
        place = whole or now >= self._next_place or any(isinstance(item, Event) for item in self._pending)
        if not self._pending and not place:
            for asked in self._asked.values():
                asked.committed(())
            return
        outputs = self._pending[:]
        self._commits += 1
        batch: list[Item] = []
        for item in outputs:
            if isinstance(item, Event | RollupOut | AlarmState | ReelState):
                batch.append(item)
            elif isinstance(item, AlarmLoad):
                batch.append(Present(topics.LOAD, item))
            elif isinstance(item, Refused):
                log.warning("act refused", line=self.plan.name, act=item.act, alarm=item.alarm, why=item.why)
        if any(isinstance(item, AlarmState) for item in outputs):
            batch.append(Snapshot("alarms", msgspec.json.encode(self.core.alarms.snapshot())))
        if place:
            batch.append(Snapshot("place", msgspec.json.encode({**self.core.place(), "clock": self.clock.mark()})))
            self._next_place = now + PLACE_EVERY
        if whole:
            began = time.perf_counter()
            events = sum(isinstance(item, Event) for item in batch)
            rollups = sum(isinstance(item, RollupOut) for item in batch)
            state = {
                **self.core.snapshot(),
                "events": self._journal.positions("event").last + events,
                "rollups_upto": self._journal.positions("rollup").last + rollups,
                "epoch": self._journal.epoch,
                "commit": self._commits,
            }
            batch.append(Snapshot("core", msgspec.json.encode(state)))
            self._next_snapshot = now + max(SNAPSHOT_EVERY, (time.perf_counter() - began) / SNAPSHOT_SHARE)
        else:
            for rule, kept in self.core.told().items():
                batch.append(Snapshot(f"rule {rule}", msgspec.json.encode({"commit": self._commits, "state": kept})))
        try:
            rows = await self._journal.commit(batch)
        except JournalError as error:
            if str(error) != self._journal_down:
                log.error("journal", line=self.plan.name, trouble=str(error))  # noqa: TRY400  the sentence says it all
            self._journal_down = str(error)
            self._hold_back()
            await asyncio.sleep(0.5)
            return
        if self._journal_down:
            log.info("journal writes again", line=self.plan.name)
            self._journal_down = ""
        del self._pending[: len(outputs)]
        self.core.kept()
        for asked in self._asked.values():
            asked.committed(rows)
        for item in outputs:
            if isinstance(item, Event):
                log.debug("event", line=self.plan.name, kind=item.data.kind, data=item.data)
                self.notifier.note(item)
            for listener in self._listeners:
                listener(item)
        if self._taken is not None:
            await self._forget_alarms()

    async def _forget_alarms(self) -> None:
        """After a reload was committed: clear the topics of alarms that are gone. Tried again with the next commit if it fails."""
        assert self._taken is not None
        try:
            await self._journal.keep_alarms({state.alarm for state in self.core.alarms.states()})
        except JournalError as error:
            log.error("journal", line=self.plan.name, trouble=str(error))  # noqa: TRY400  the sentence says it all
            return
        if not self._taken.done():
            self._taken.set_result(None)
        self._taken = None

    def _hold_back(self) -> None:
        """The journal cannot write: keep what fits in memory, rollups go first, all counted."""
        for kind in (RollupOut, Event):
            excess = len(self._pending) - UNCOMMITTED
            if excess <= 0:
                return
            kept: list[Output] = []
            for item in self._pending:
                if excess > 0 and isinstance(item, kind):
                    excess -= 1
                    self._count(f"{kind.__name__.lower()}s before the journal", 1)
                else:
                    kept.append(item)
            self._pending = kept

    # ---- other files -----------------------------------------------------------------------------------------------------

    async def reload(self, loaded: LoadedLine) -> str:
        """Take over changed files, which were checked whole, between two inputs. Returns when the change is committed.

        A sentence when a running daemon cannot take them over: then nothing has changed, and the refusal is an event too.
        """
        why = needs_restart(self.loaded, loaded)
        if why:
            why = f"{why}; restart the daemon for that. Nothing was changed"
            self.refuse_reload(why)
            return why
        done = asyncio.get_running_loop().create_future()
        self._next = (loaded, done)
        self._wake.set()
        await done
        return ""

    def refuse_reload(self, why: str) -> None:
        """The changed files are wrong: nothing changes, and it is an event that somebody tried."""
        log.error("reload refused", line=self.plan.name, why=why)
        self._pending.append(self._configuration("reload_refused", why, self.clock.line_time()))
        self._wake.set()

    async def _take_over(self, loaded: LoadedLine, done: "asyncio.Future[None]") -> None:
        self._next = None
        before = self.loaded
        changes = differences(before, loaded)
        follows = successor(self.core, before, loaded)
        self.loaded, self.plan, self.core = loaded, loaded.plan, follows.core
        now = self.clock.line_time()
        why = f"{len(changes)} keys changed" if changes else "nothing changed"
        told = self._configuration("reload", "; ".join([why, *follows.trouble]), now, changes[:CHANGES])
        self._pending.extend([told, *follows.told])
        self.publisher.retag(self.plan.tags)
        await self._change_endpoints(before, loaded)
        if before.notify != loaded.notify:
            self._change_people()
        if before.doors != loaded.doors:
            await self._change_door()
        self._next_snapshot = self._next_place = 0.0
        self._taken = done
        log.info("reloaded", line=self.plan.name, changes=len(changes), trouble=follows.trouble)
        await self._commit()

    async def _change_endpoints(self, before: LoadedLine, after: LoadedLine) -> None:
        """Endpoints that are the same stay connected; the others end, and begin as they are now."""
        old = {e.name: e for e in before.endpoints}
        kept = {e.name for e in after.endpoints if old.get(e.name) == e}
        await end(*(self._tasks.pop(name) for name in old if name not in kept))
        running = {r.health.endpoint: r for r in self.runners}
        self.runners = [
            running[e.name] if e.name in kept else runner_for(e, self._deliver, self.clock) for e in after.endpoints
        ]
        for runner in self.runners:
            if runner.health.endpoint not in kept:
                self._watch(runner)

    def _change_people(self) -> None:
        """The new roster hears of what follows; the old one still sends what it has."""
        assert self._group is not None
        self._group.create_task(_retire(self.notifier, self._tasks.pop(_PEOPLE)), name="old roster")
        self.notifier = Notifier(self.loaded.notify, self.plan.source, self.clock)
        self._tell_people(self.notifier)

    def _make_door(self) -> LocalDoor | None:
        plan = self.loaded.doors.local
        if plan is None:
            return None
        return LocalDoor(self.plan.name, plan, self._folder, self.ask, self._alarm_names)

    def _alarm_names(self) -> list[str]:
        return [state.alarm for state in self.core.alarms.states()]

    def _open_door(self) -> None:
        assert self._group is not None
        if self._door is not None:
            self._tasks[_DOOR] = self._group.create_task(self._door.run(), name="local door")

    async def _change_door(self) -> None:
        """The old door is closed before the new one opens: nobody comes in by a grant that is gone."""
        if self._door is not None:
            self._acts_before.update(self._door.outcomes)
            await end(self._tasks.pop(_DOOR))
        self._door = self._make_door()
        self._open_door()

    # ---- begin and end ---------------------------------------------------------------------------------------------------

    async def _resume(self) -> None:
        """Go on from the last snapshot, and say that the daemon started."""
        saved, place = await self._journal.snapshot("core"), await self._journal.snapshot("place")
        trouble: list[str] = []
        if saved is not None or place is not None:
            state = msgspec.json.decode(saved) if saved is not None else {}
            told = await self._told(int(state.get("commit", 0)))
            where = msgspec.json.decode(place) if place is not None else None
            self._go_on(where or state)
            trouble = self.core.restore(state, where, told)
            if state.get("epoch", self._journal.epoch) == self._journal.epoch:
                last = self._journal.positions("rollup").last
                await self._replay("rollup", int(state.get("rollups_upto", 0 if saved is None else last)))
                await self._replay("event", int(state.get("events", 0)))
        alarms = await self._journal.snapshot("alarms")
        if alarms is not None:
            restored = self.core.alarms.restore(msgspec.json.decode(alarms))
            trouble.extend(f"alarm {a} starts normal" for a in restored.unreadable)
        await self._journal.keep_alarms({state.alarm for state in self.core.alarms.states()})
        opening = self._journal.opening
        now = self.clock.line_time()
        why = "; ".join([f"metrepost {__version__} watches {self.plan.source}", *trouble])
        events: list[Output] = []
        if opening.new_epoch:
            events.append(self._configuration("epoch", opening.explanation, now))
        events.append(self._configuration("start", why, now))
        self._pending.extend(events)
        self._pending.extend(self.core.alarms.states())
        await self._commit()
        log.info("watching", line=self.plan.name, stations=len(self.plan.stations), tags=len(self.plan.tags), trouble=trouble)

    def _go_on(self, where: dict[str, Any]) -> None:
        """Line time goes on from the last commit. A wall clock that was set back while nobody ran is an event."""
        step = self.clock.resume(where.get("clock") or {"line": where.get("time", 0.0)})
        self._begin(self.clock.line_time())
        if step:
            log.warning("wall clock stepped", line=self.plan.name, seconds=round(step, 3))
            self._deliver([Act("clock_step", self.clock.line_time(), who="clock", amount=step)])

    async def _told(self, since: int) -> dict[str, object]:
        """What rules told after the last whole snapshot, as their states then."""
        told: dict[str, object] = {}
        self._commits = since
        for name, _ in self.loaded.rules:
            saved = await self._journal.snapshot(f"rule {name}")
            if saved is None:
                continue
            kept = msgspec.json.decode(saved)
            if kept["commit"] > since:
                told[name] = kept["state"]
                self._commits = max(self._commits, kept["commit"])
        return told

    async def _replay(self, stream: Stream, after: int) -> None:
        """What was told between the last whole snapshot and a kill goes into reel record, alarm load and rollups once more."""
        while rows := await self._journal.held(stream, after, 500):
            for row in rows:
                data = decode_event(row.payload) if stream == "event" else decode_rollup(row.payload)
                if data is not None:
                    self._pending.extend(self.core.replay(data, row.time))
            after = rows[-1].sequence

    def _configuration(
        self,
        what: Literal["start", "stop", "reload", "reload_refused", "epoch"],
        explanation: str,
        now: float,
        changes: Sequence[Change] = (),
    ) -> Event:
        opening = self._journal.opening
        data = ConfigurationEvent(
            what=what,
            version=__version__,
            decided=rfc3339(now),
            explanation=explanation,
            changes=list(changes),
            previous_epoch=opening.previous_epoch if what == "epoch" else "",
            previous_last={str(k): v for k, v in opening.previous_last.items()} if what == "epoch" else {},
        )
        return Event(now, data)

    async def _finish(self) -> None:
        self._eat()
        self._pending.append(self._configuration("stop", "stopped on request", self.clock.line_time()))
        self._next_snapshot = self._next_place = 0.0
        await self._commit()
        try:
            async with asyncio.timeout(FLUSH):
                await self.publisher.drained()
        except TimeoutError:
            waiting = self.publisher.statistics().backlog
            log.warning("stopped with a backlog", line=self.plan.name, rows=waiting, note="it is sent after the next start")
        await self.notifier.flush(FLUSH)

    # ---- what others may know --------------------------------------------------------------------------------------------

    def figures(self) -> LineFigures:
        """How the daemon fares with this line, now. Ask on its event loop."""
        sent, people = self.publisher.statistics(), self.notifier.statistics()
        standing = Counter((s.class_, s.priority, s.state) for s in self.core.alarms.states())
        return LineFigures(
            line=self.plan.name,
            version=__version__,
            running_for=self.clock.monotonic() - self._began,
            line_state=self.core.state,
            core_age=self.clock.monotonic() - self._ticked,
            inputs=self._inputs,
            inbox=len(self._inbox),
            uncommitted=len(self._pending),
            journal_trouble=self._journal_down,
            endpoints=self._endpoints(),
            requests={r.health.endpoint: r.health.requests for r in self.runners},
            round_trip={r.health.endpoint: r.health.round_trip for r in self.runners},
            broker_connected=sent.connected,
            broker_trouble=sent.trouble,
            delivered=sent.delivered,
            unheard=sent.unheard,
            refused=sent.refused,
            lost=sum(self._journal.positions(stream).lost for stream in STREAMS),
            backlog={stream: self._journal.positions(stream).waiting for stream in STREAMS},
            sent_readings=sent.sent_readings,
            dropped_readings=sent.dropped_readings,
            dropped=self._dropped(),
            messages_queued=sum(p.queued for p in people),
            messages_delivered=sum(p.delivered for p in people),
            messages_given_up=sum(p.given_up for p in people),
            alarms=tuple(Standing(*key, number) for key, number in sorted(standing.items())),
            tasks=len(asyncio.all_tasks()),
            acts=dict(self._acts_before + (Counter() if self._door is None else self._door.outcomes)),
            door_trouble="" if self._door is None else self._door.trouble,
        )

    def _dropped(self) -> dict[str, int]:
        recorded = (
            {} if self._recorder is None or not self._recorder.dropped else {"inputs not recorded": self._recorder.dropped}
        )
        return self.dropped | recorded

    def _endpoints(self) -> dict[str, EndpointHealth]:
        return {
            r.health.endpoint: EndpointHealth(
                up=r.health.up,
                since=rfc3339(r.health.since) if r.health.since else "",
                reason=r.health.reason,
                failures=r.health.failures,
                reconnects=r.health.reconnects,
                missed_deadlines=r.health.missed_deadlines,
            )
            for r in self.runners
        }

    def _status(self) -> StatePayload:
        now = rfc3339(self.clock.line_time())
        return StatePayload(
            online=True,
            version=__version__,
            since=rfc3339(self._started),
            time=now,
            line_state=self.core.state,
            product=self.core.product.name,
            endpoints=self._endpoints(),
            dropped=self._dropped(),
        )


async def _retire(notifier: Notifier, task: "asyncio.Task[None]") -> None:
    await notifier.flush(FLUSH)
    await end(task)
