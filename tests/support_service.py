"""A daemon for one line in the test's own process."""

import asyncio
import contextlib

from metrepost.commands.record import recorder_for
from metrepost.configuration.load import load_line
from metrepost.service import LineService

NOWHERE = {"gauges": "127.0.0.1:9", "drives": "127.0.0.1:9", "plc": "opc.tcp://127.0.0.1:9/x"}
ROOT = "metrepost/v1/northmere/extrusion/core-3/"


@contextlib.asynccontextmanager
async def running(file, state, *, clock=None, out=None, record=None):
    """A daemon in this process; it is stopped and flushed at the end."""
    line = load_line(file)
    recorder = None if record is None else recorder_for(line, record)
    listeners = [] if out is None else [out.append]
    service = LineService(line, state, clock=clock, listeners=listeners, recorder=recorder)
    stop = asyncio.Event()
    task = asyncio.create_task(service.run(stop))
    await service.ready.wait()
    try:
        yield service
    finally:
        stop.set()
        await task


async def until(done, seconds=60):
    """Wait until `done()`; the service tells nobody when it has eaten."""
    async with asyncio.timeout(seconds):
        while not done():
            await asyncio.sleep(0.02)
