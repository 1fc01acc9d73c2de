"""`metrepost simulate`: the demonstration line behind real Modbus TCP and OPC UA servers, with ground truth."""

import asyncio
import signal
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated

import msgspec
import typer

from .arguments import LineFile, find_line, seconds
from .trouble import CommandError


def simulate(
    line: LineFile,
    scenario: Annotated[str, typer.Option("--scenario", help="steady, demo, bars, healthy or bad.")] = "demo",
    seed: Annotated[int, typer.Option("--seed", help="The same seed makes the same line.")] = 1,
    speed: Annotated[float, typer.Option("--speed", min=0.1, max=100.0, help="Scale of the line clock.")] = 1.0,
    for_: Annotated[str | None, typer.Option("--for", metavar="TIME", help="End after this long (real time).")] = None,
    truth: Annotated[
        Path | None, typer.Option("--truth", metavar="FILE", help="Write the ground truth here at the end.")
    ] = None,
    free_ports: Annotated[
        bool, typer.Option("--free-ports", help="Take free ports instead of those of the line file.")
    ] = False,
    clock: Annotated[str | None, typer.Option("--clock", hidden=True)] = None,
) -> None:
    """Serve a simulated line on this machine, started with the line full of cable, until stopped.

    Prints one JSON object with the addresses once everything listens. Simulation only: it moves nothing.
    """
    asyncio.run(_simulate(find_line(line), scenario, seed, speed, seconds(for_), truth, free_ports=free_ports, clock=clock))


async def _simulate(
    file: Path,
    scenario: str,
    seed: int,
    speed: float,
    duration: float | None,
    truth: Path | None,
    *,
    free_ports: bool,
    clock: str | None,
) -> None:
    # the simulator brings numpy and two servers: only who simulates pays for that
    from metrepost_sim.line_file import read_line_file
    from metrepost_sim.servers import SimulatedLine

    try:
        line_file = read_line_file(file)
        ports = {} if free_ports else _ports(line_file.addresses)
        line = SimulatedLine(scenario, seed=seed, speed=speed, ports=ports, file=line_file, clock=shared_clock(clock, speed))
    except (KeyError, ValueError) as error:
        raise CommandError(f"this line cannot be simulated: {error}") from error
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    try:
        async with line:
            body = {"scenario": scenario, "seed": seed, "speed": speed, "start": line.start, "addresses": line.addresses}
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


def _ports(addresses: Mapping[str, str]) -> dict[str, int]:
    return {name: int(address.rpartition("://")[2].partition("/")[0].rpartition(":")[2]) for name, address in addresses.items()}


def shared_clock(text: str | None, speed: float) -> Callable[[], float] | None:
    """A line clock that another process runs too: ``wall:monotonic`` of one moment (Linux's monotonic clock is the machine's)."""
    if text is None:
        return None
    wall, _, monotonic = text.partition(":")
    return lambda: float(wall) + (time.monotonic() - float(monotonic)) * speed
