"""The journal for asyncio: every call runs on one thread of its own, never on the loop's."""

import asyncio
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

from ..publish.cloudevents import STREAMS, Stream
from .journal import Journal, Positions
from .records import Item, PresentState, Row

P = ParamSpec("P")
T = TypeVar("T")


class AsyncJournal:
    """Wraps an open `Journal`. Calls are answered in the order they were made.

    A call that has begun ends even when the task that awaits it is cancelled: what was handed to `commit` is committed.
    """

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"journal-{journal.line}")
        self._listeners: list[Callable[[], None]] = []
        self._moved = asyncio.Event()
        self.line = journal.line
        self.epoch = journal.epoch
        self.opening = journal.opening

    def on_news(self, listener: Callable[[], None]) -> None:
        """Call `listener` on the loop after each commit."""
        self._listeners.append(listener)

    def positions(self, stream: Stream) -> Positions:
        """Where a stream stands, as of the last call that ended."""
        return self._journal.positions(stream)

    async def _run(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        future = self._thread.submit(function, *args, **kwargs)
        return await asyncio.shield(asyncio.wrap_future(future))

    def _news(self) -> None:
        for listener in self._listeners:
            listener()

    async def commit(self, batch: Sequence[Item]) -> list[Row]:
        """See `Journal.commit`."""
        loop = asyncio.get_running_loop()

        def work() -> list[Row]:
            rows = self._journal.commit(batch)
            loop.call_soon_threadsafe(self._news)
            return rows

        return await self._run(work)

    async def held(self, stream: Stream, after: int, limit: int) -> list[Row]:
        """See `Journal.held`."""
        return await self._run(self._journal.held, stream, after, limit)

    async def pending(self, stream: Stream, limit: int, after: int | None = None, max_bytes: int = 8_000_000) -> list[Row]:
        """See `Journal.pending`."""
        return await self._run(self._journal.pending, stream, limit, after, max_bytes)

    async def delivered(self, stream: Stream, upto: int) -> None:
        """See `Journal.delivered`."""
        await self._run(self._journal.delivered, stream, upto)
        self._moved.set()

    async def drained(self) -> None:
        """Wait until no row is undelivered. Give it a time-out: the broker may be away."""
        while any(self.positions(s).waiting for s in STREAMS):
            self._moved.clear()
            await self._moved.wait()

    async def set_aside(self, stream: Stream, sequence: int, reason: str) -> list[Row]:
        """See `Journal.set_aside`."""
        rows = await self._run(self._journal.set_aside, stream, sequence, reason)
        self._news()
        self._moved.set()
        return rows

    async def states(self, since: int = 0) -> list[PresentState]:
        """See `Journal.states`."""
        return await self._run(self._journal.states, since)

    async def forget_state(self, state: PresentState) -> None:
        """See `Journal.forget_state`."""
        await self._run(self._journal.forget_state, state)

    async def keep_alarms(self, known: Collection[str]) -> list[str]:
        """See `Journal.keep_alarms`."""
        gone = await self._run(self._journal.keep_alarms, known)
        self._news()
        return gone

    async def snapshot(self, name: str) -> bytes | None:
        """See `Journal.snapshot`."""
        return await self._run(self._journal.snapshot, name)

    async def close(self) -> None:
        """Close the journal and end its thread."""
        await self._run(self._journal.close)
        self._thread.shutdown(wait=False)
