"""`metrepost run`: watch lines until stopped."""

import asyncio
import signal
from pathlib import Path
from typing import Annotated

import typer

from .. import logs
from ..configuration.faults import ConfigurationError
from ..configuration.plan import LoadedLine
from ..journal.errors import JournalError
from ..service import LineService
from .arguments import LogLevel, StateFolder, loaded, state_folder
from .trouble import CommandError


def run(
    line: Annotated[list[Path], typer.Argument(metavar="LINE...", help="Line files, or names of shipped ones.")],
    state: StateFolder = None,
    log_level: LogLevel = "info",
) -> None:
    """Watch one or more lines until stopped (SIGTERM or Ctrl-C): read, judge, journal, publish, tell people.

    Endpoints and broker need not be there at the start: the daemon says so and keeps trying. At SIGHUP (`metrepost reload`) it
    reads its files again.
    """
    try:
        logs.setup(log_level)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--log-level") from error
    files = [(file, loaded(file)) for file in line]
    folder = state_folder(state)
    asyncio.run(_run(files, folder))


async def _run(lines: list[tuple[Path, LoadedLine]], folder: Path) -> None:
    stop, changed = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, changed.set)
    services = [(file, LineService(line, folder)) for file, line in lines]
    try:
        async with asyncio.TaskGroup() as group:
            watch = [group.create_task(service.run(stop), name=service.plan.name) for _, service in services]
            reloading = group.create_task(_reload(services, changed), name="reload")
            await asyncio.wait(watch)
            reloading.cancel()
    except* JournalError as errors:
        raise errors.exceptions[0] from None


async def _reload(services: list[tuple[Path, LineService]], changed: asyncio.Event) -> None:
    """At each SIGHUP read every line's files again. They are read beside the loop: the lines are watched all the while."""
    while True:
        await changed.wait()
        changed.clear()
        for file, service in services:
            try:
                line = await asyncio.to_thread(loaded, file)
            except (ConfigurationError, CommandError) as error:
                service.refuse_reload(str(error))
            else:
                await service.reload(line)
