"""`metrepost record`: read a line's endpoints and write what they say, without judging it."""

import asyncio
import signal
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from .. import logs
from ..clock import SystemClock
from ..configuration.plan import LoadedLine
from ..ending import end
from ..endpoints.start import runner_for
from ..readings import Act, Reading, Tick
from ..service import TICK
from . import exits
from .arguments import Json, LineFile, LogLevel, loaded, seconds
from .trouble import CommandError

if TYPE_CHECKING:
    from ..recordings.recorder import Recorder


def record(
    line: LineFile,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the chunks of the recording.")] = Path(
        "recording"
    ),
    for_: Annotated[str | None, typer.Option("--for", metavar="TIME", help="Stop after so long: 90s, '10 min'.")] = None,
    chunk: Annotated[str, typer.Option("--chunk", metavar="TIME", help="Close a file each so long.")] = "60s",
    json: Json = False,
    log_level: LogLevel = "info",
) -> None:
    """Read the endpoints of a line and record every reading and act, with the ticks between them, until stopped.

    Nothing is judged, published or told. One Parquet file a chunk; what has its final name is whole, whatever ends the process.
    """
    try:
        logs.setup(log_level)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--log-level") from error
    found = loaded(line)
    length, each = seconds(for_), seconds(chunk)
    assert each is not None
    recorder = asyncio.run(_record(found, out, length, each))
    body = {
        "folder": str(out),
        "rows": recorder.rows,
        "chunks": recorder.chunks,
        "dropped": recorder.dropped,
        "removed": recorder.removed,
    }
    if json:
        typer.echo(msgspec.json.encode(body).decode())
    else:
        typer.echo(f"{out}: {recorder.rows} rows in {recorder.chunks} chunks, {recorder.dropped} inputs dropped")
    if recorder.trouble:
        raise CommandError(f"{out} cannot be written: {recorder.trouble}", exits.STATE)


def recorder_for(line: LoadedLine, folder: Path, chunk: float | None = None, clock: SystemClock | None = None) -> "Recorder":
    """A recorder for a line. Raises CommandError when the folder cannot be used."""
    from ..recordings.recorder import CHUNK_SECONDS, Recorder

    now = (clock or SystemClock()).line_time()
    try:
        return Recorder(folder, line.plan.name, now, chunk=chunk or CHUNK_SECONDS)
    except OSError as error:
        raise CommandError(f"{folder} cannot be written: {error.strerror}", exits.STATE) from error


async def _record(line: LoadedLine, folder: Path, length: float | None, chunk: float) -> "Recorder":
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    clock = SystemClock()
    recorder = recorder_for(line, folder, chunk, clock)

    def deliver(batch: Sequence[Reading | Act]) -> None:
        for item in batch:
            recorder.note(item)

    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(recorder.run()), group.create_task(_ticks(recorder, clock))]
            tasks += [group.create_task(runner_for(e, deliver, clock).run()) for e in line.endpoints]
            with suppress(TimeoutError):
                async with asyncio.timeout(length):
                    await stop.wait()
            await end(*tasks)
    finally:
        await recorder.close()
    return recorder


async def _ticks(recorder: "Recorder", clock: SystemClock) -> None:
    """The ticks that the core would be fed, between the readings in order of arrival."""
    due, looked = clock.line_time(), clock.monotonic()
    while True:
        await asyncio.sleep(TICK)
        if clock.monotonic() - looked >= 1.0:
            looked = clock.monotonic()
            if step := clock.look():
                recorder.note(Act("clock_step", clock.line_time(), who="clock", amount=step))
        now = clock.line_time()
        while due <= now:
            recorder.note(Tick(due))
            due += TICK
