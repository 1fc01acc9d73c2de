import asyncio
import threading
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from metrepost.journal import AsyncJournal, Journal, JournalFullError
from support_journal import SOURCE, note, rollup


@asynccontextmanager
async def opened(folder: Path):
    journal = AsyncJournal(Journal.open(folder, "core-3", source=SOURCE))
    try:
        yield journal
    finally:
        await journal.close()


async def test_commits_run_on_one_other_thread_in_order(tmp_path: Path) -> None:
    async with opened(tmp_path) as journal:
        seen = []
        inner = journal._journal
        commit = inner.commit
        inner.commit = lambda batch: (seen.append(threading.get_ident()), commit(batch))[1]  # type: ignore[method-assign]
        rows = await asyncio.gather(*(journal.commit([note(str(n))]) for n in range(50)))
        assert [r[0].sequence for r in rows] == list(range(1, 51))
        assert len(set(seen)) == 1
        assert threading.get_ident() not in seen


async def test_a_cancelled_commit_is_committed(tmp_path: Path) -> None:
    async with opened(tmp_path) as journal:
        task = asyncio.create_task(journal.commit([note()]))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert (await journal.commit([note()]))[0].sequence == 2


async def test_errors_come_through(tmp_path: Path) -> None:
    async with opened(tmp_path) as journal:
        journal._journal._connection.execute("PRAGMA max_page_count = 1")
        with pytest.raises(JournalFullError):
            await journal.commit([note("x" * 5000)])


async def test_news_and_drained(tmp_path: Path) -> None:
    async with opened(tmp_path) as journal:
        news = asyncio.Event()
        journal.on_news(news.set)
        await journal.commit([note(), rollup()])
        await asyncio.wait_for(news.wait(), 2)
        drained = asyncio.create_task(journal.drained())
        await journal.delivered("event", 1)
        assert not drained.done()
        await journal.delivered("rollup", 1)
        await asyncio.wait_for(drained, 2)
        assert journal.positions("event").waiting == 0
        assert [r.sequence for r in await journal.pending("event", 5)] == []
