"""`metrepost run`: watch lines until stopped."""

import asyncio
import contextlib
import signal
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import structlog
import typer

from .. import logs
from ..configuration.faults import ConfigurationError
from ..configuration.plan import LoadedLine
from ..health.address import parse_address
from ..health.figures import judge
from ..health.service_manager import ServiceManager
from ..journal.errors import JournalError
from ..service import LineService
from . import exits
from .arguments import LogLevel, StateFolder, loaded, state_folder
from .record import recorder_for
from .trouble import CommandError

log = structlog.get_logger("metrepost.run")
Lines = Sequence[tuple[Path, LineService]]

Health = Annotated[
    str | None,
    typer.Option("--health", metavar="HOST:PORT", help="Serve /health and /metrics (OpenMetrics) there; loopback only."),
]

RecordTo = Annotated[
    Path | None,
    typer.Option("--record", metavar="DIR", help="Record what the core is fed, in DIR/LINE, for `metrepost rehearse`."),
]


def run(
    line: Annotated[list[Path], typer.Argument(metavar="LINE...", help="Line files, or names of shipped ones.")],
    state: StateFolder = None,
    health: Health = None,
    record: RecordTo = None,
    log_level: LogLevel = "info",
) -> None:
    """Watch one or more lines until stopped (SIGTERM or Ctrl-C): read, judge, journal, publish, tell people.

    Endpoints and broker need not be there at the start: the daemon says so and keeps trying. At SIGHUP (`metrepost reload`) it
    reads its files again; SIGUSR1 turns debug logging on and off.
    """
    try:
        logs.setup(log_level)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--log-level") from error
    try:
        address = None if health is None else parse_address(health)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--health") from error
    files = [(file, loaded(file)) for file in line]
    asyncio.run(_run(files, state_folder(state), address, log_level, record))


async def _run(
    lines: list[tuple[Path, LoadedLine]], folder: Path, address: tuple[str, int] | None, level: str, record: Path | None
) -> None:
    stop, changed = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, changed.set)
    loop.add_signal_handler(signal.SIGUSR1, _Wordier(level))
    services = [
        (file, LineService(line, folder, recorder=None if record is None else recorder_for(line, record / line.plan.name)))
        for file, line in lines
    ]
    manager = ServiceManager()
    async with contextlib.AsyncExitStack() as stack:
        if address is not None:
            from ..health.server import HealthServer  # an HTTP server costs half a second of every start

            try:
                server = await stack.enter_async_context(HealthServer(address, lambda: [s.figures() for _, s in services]))
            except OSError as error:
                raise CommandError(
                    f"--health: {address[0]}:{address[1]} cannot be used: {error.strerror}", exits.USAGE
                ) from error
            log.info("health", address=f"{address[0]}:{server.port}")
        try:
            async with asyncio.TaskGroup() as group:
                watch = [group.create_task(service.run(stop), name=service.plan.name) for _, service in services]
                beside = [
                    group.create_task(_reload(services, changed), name="reload"),
                    group.create_task(_tell_manager(services, manager, stop), name="service manager"),
                ]
                await asyncio.wait(watch)
                for task in beside:
                    task.cancel()
        except* JournalError as errors:
            raise errors.exceptions[0] from None


async def _reload(services: Lines, changed: asyncio.Event) -> None:
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


async def _tell_manager(services: Lines, manager: ServiceManager, stop: asyncio.Event) -> None:
    """Ready when every line is watched; alive as long as ticks go through every core, and no longer."""
    for _, service in services:
        await service.ready.wait()
    names = ", ".join(service.plan.name for _, service in services)
    manager.ready(f"watching {names}")
    while not stop.is_set():
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(manager.watchdog_every or None):
                await stop.wait()
        verdicts = {service.plan.name: judge(service.figures()) for _, service in services}
        failing = [f"{name}: {'; '.join(v.reasons)}" for name, v in verdicts.items() if v.status == "failing"]
        if failing:
            manager.status("; ".join(failing))
        else:
            manager.alive()
    manager.stopping()


class _Wordier:
    """Debug logging on, and off again."""

    def __init__(self, level: str) -> None:
        self._levels = (level, "debug")
        self._debug = False

    def __call__(self) -> None:
        self._debug = not self._debug
        level = self._levels[self._debug]
        logs.setup(level)
        log.warning("log level", now=level)
