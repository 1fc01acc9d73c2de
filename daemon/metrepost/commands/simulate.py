"""`metrepost simulate`: any line behind real Modbus TCP and OPC UA servers, with ground truth."""

import asyncio
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from ..configuration.faults import ConfigurationError
from .arguments import LineFile, find_line, seconds
from .trouble import CommandError

if TYPE_CHECKING:
    from metrepost_sim.any_start import Started


def simulate(
    line: LineFile,
    scenario: Annotated[
        str | None,
        typer.Option(
            "--scenario",
            metavar="NAME|FILE",
            help="steady, demo, bars, healthy, bad, or a scenario file. [default: demo; on another line than core-3, shift]",
        ),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="The same seed makes the same line.")] = 1,
    speed: Annotated[float, typer.Option("--speed", min=0.1, max=100.0, help="Scale of the line clock.")] = 1.0,
    for_: Annotated[str | None, typer.Option("--for", metavar="TIME", help="End after this long (real time).")] = None,
    truth: Annotated[
        Path | None, typer.Option("--truth", metavar="FILE", help="Write the ground truth here at the end.")
    ] = None,
    faults: Annotated[
        str | None,
        typer.Option(
            "--faults",
            metavar="TEXT",
            help="Break endpoints: 'gauges: delay=200ms@5%, drop@1%; plc: bad@1%'. See simulators/README.md.",
        ),
    ] = None,
    free_ports: Annotated[
        bool, typer.Option("--free-ports", help="Take free ports instead of those of the line file.")
    ] = False,
    clock: Annotated[str | None, typer.Option("--clock", hidden=True)] = None,
) -> None:
    """Serve a simulated line on this machine, started with the line full of cable, until stopped.

    Any line file can be served. Prints one JSON object with the addresses once everything listens. Simulation only: it
    moves nothing.
    """
    # the simulator brings numpy and two servers: only who simulates pays for that
    from metrepost_sim.any_start import start

    file = find_line(line)
    duration = seconds(for_)
    try:
        started = start(
            file,
            scenario,
            seed=seed,
            speed=speed,
            faults=faults,
            free_ports=free_ports,
            clock=shared_clock(clock, speed),
        )
    except ConfigurationError:
        raise
    except (KeyError, ValueError) as error:
        raise CommandError(f"this line cannot be simulated: {error}") from error
    asyncio.run(_simulate(started, seed, speed, duration, truth))


async def _simulate(started: "Started", seed: int, speed: float, duration: float | None, truth: Path | None) -> None:
    line = started.line
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    try:
        async with line:
            body = {"scenario": line.scenario.name, "seed": seed, "speed": speed, "start": line.start}
            body |= {"addresses": line.addresses, "not_simulated": started.left_out, "notes": started.notes}
            sys.stdout.write(msgspec.json.encode(body).decode() + "\n")
            sys.stdout.flush()
            try:
                async with asyncio.timeout(duration):
                    await stop.wait()
            except TimeoutError:
                pass
    except OSError as error:
        raise CommandError(f"a server of the simulated line cannot listen: {error}; try --free-ports") from error
    if truth is not None:
        line.write_truth(truth)


def shared_clock(text: str | None, speed: float) -> Callable[[], float] | None:
    """A line clock that another process runs too: ``wall:monotonic`` of one moment (Linux's monotonic clock is the machine's)."""
    if text is None:
        return None
    wall, _, monotonic = text.partition(":")
    return lambda: float(wall) + (time.monotonic() - float(monotonic)) * speed
