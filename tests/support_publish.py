"""A publisher on a journal in a folder, run as a task; and a child process that does the same, to be killed."""

import asyncio
import subprocess
import sys
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from metrepost.journal import AsyncJournal, Journal, Retention
from metrepost.publish.mqtt import MqttPublisher
from metrepost.publish.payloads import EndpointHealth, StatePayload
from metrepost.publish.plan import MqttPlan
from metrepost.readings import Tag
from metrepost.readings.moment import rfc3339
from support_journal import ROOT, SOURCE, T0, WallClock


class Publishing(NamedTuple):
    """What a test works with."""

    journal: AsyncJournal
    publisher: MqttPublisher
    task: "asyncio.Task[Any]"


def status() -> StatePayload:
    """What a service would know of the line."""
    return StatePayload(
        online=True,
        version="0.1.0",
        since=rfc3339(T0),
        time="",
        line_state="producing",
        product="K75-480",
        endpoints={"gauges": EndpointHealth(up=True, since=rfc3339(T0))},
        dropped={"core": 0},
    )


@asynccontextmanager
async def publishing(
    folder: Path,
    port: int,
    *,
    tags: Mapping[str, Tag] | None = None,
    retention: Retention | None = None,
    jitter: float = -0.8,
    **plan: Any,
) -> AsyncIterator[Publishing]:
    """A publisher at work. A negative `jitter` shortens its waits, to a fifth when left out.

    On the way out it is cancelled and the journal closed; what `run` raised is raised.
    """
    journal = AsyncJournal(Journal.open(folder, "core-3", source=SOURCE, retention=retention))
    settings = {"host": "127.0.0.1", "port": port} | plan
    publisher = MqttPublisher(
        msgspec.convert(settings, MqttPlan), ROOT, journal, WallClock(), status=status, tags=tags, jitter=lambda: jitter
    )
    task = asyncio.create_task(publisher.run(), name="publisher")
    try:
        yield Publishing(journal, publisher, task)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        await journal.close()


CHILD = """
import asyncio, pathlib, sys
sys.path.insert(0, sys.argv[1])
from support_journal import alarm_state, note, rollup
from support_publish import publishing

async def main():
    async with publishing(pathlib.Path(sys.argv[2]), int(sys.argv[3])) as p:
        for n in range(10**6):
            rows = await p.journal.commit([note(str(n)), rollup(), note(str(n)), alarm_state(value=float(n))])
            print(rows[-1].sequence, flush=True)
            await asyncio.sleep(0)

asyncio.run(main())
"""


def child(folder: Path, port: int) -> "subprocess.Popen[str]":
    """A process that commits and publishes without end, printing the last event number of each commit."""
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, str(Path(__file__).parent), str(folder), str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
