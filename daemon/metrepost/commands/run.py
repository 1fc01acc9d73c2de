"""`metrepost run`: watch lines until stopped."""

import asyncio
import signal
from pathlib import Path
from typing import Annotated

import typer

from .. import logs
from ..configuration.plan import LoadedLine
from ..journal.errors import JournalError
from ..service import LineService
from .arguments import LogLevel, StateFolder, loaded, state_folder


def run(
    line: Annotated[list[Path], typer.Argument(metavar="LINE...", help="Line files, or names of shipped ones.")],
    state: StateFolder = None,
    log_level: LogLevel = "info",
) -> None:
    """Watch one or more lines until stopped (SIGTERM or Ctrl-C): read, judge, journal, publish, tell people.

    Endpoints and broker need not be there at the start: the daemon says so and keeps trying.
    """
    try:
        logs.setup(log_level)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--log-level") from error
    files = [loaded(file) for file in line]
    folder = state_folder(state)
    asyncio.run(_run(files, folder))


async def _run(lines: list[LoadedLine], folder: Path) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    services = [LineService(line, folder) for line in lines]
    try:
        async with asyncio.TaskGroup() as group:
            for service in services:
                group.create_task(service.run(stop), name=service.plan.name)
    except* JournalError as errors:
        raise errors.exceptions[0] from None
