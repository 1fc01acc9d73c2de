"""`metrepost probe`: read each tag once from the real device and show raw words beside the value."""

import asyncio
from typing import Annotated

import msgspec
import typer
from rich.console import Console
from rich.table import Table

from ..clock import SystemClock
from ..configuration.plan import LoadedLine
from ..endpoints.contract import Probed
from ..endpoints.start import runner_for
from . import exits
from .arguments import Json, LineFile, loaded
from .trouble import CommandError


def probe(
    line: LineFile,
    tag: Annotated[list[str] | None, typer.Argument(metavar="[TAG...]", help="Tags (station.tag); all when left out.")] = None,
    json: Json = False,
) -> None:
    """Read tags once, each from its real endpoint: raw words, value, unit, quality, round trip.

    Registers that a read clears are left out: reading them would take a peak from the daemon. Exit code 1 when a tag is bad.
    """
    found = loaded(line)
    wanted = tag or []
    measured = {p.tag for e in found.endpoints for p in e.points}
    for name in wanted:
        if name not in measured:
            raise CommandError(f"no endpoint serves a tag {name!r}; tags are {', '.join(sorted(measured))}", exits.USAGE)
    results = asyncio.run(_probe_all(found, wanted))
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode(results)).decode())
    else:
        _print(results)
    if any(p.quality == "bad" for p in results):
        raise typer.Exit(exits.FAILED)


async def _probe_all(found: LoadedLine, wanted: list[str]) -> list[Probed]:
    clock = SystemClock()
    runners = []
    for endpoint in found.endpoints:
        tags = [p.tag for p in endpoint.points if not wanted or p.tag in wanted]
        if tags:
            runners.append(runner_for(endpoint, lambda batch: None, clock).probe(tags))
    groups = await asyncio.gather(*runners)
    units = {name: tag.unit for name, tag in found.plan.tags.items()}
    return [msgspec.structs.replace(p, unit=units.get(p.tag, "")) for group in groups for p in group]


def _print(results: list[Probed]) -> None:
    table = Table(box=None, pad_edge=False)
    for column, justify in (("tag", "left"), ("raw", "left"), ("value", "right"), ("unit", "left")):
        table.add_column(column, justify="right" if justify == "right" else "left", overflow="fold")
    table.add_column("quality")
    table.add_column("round trip", justify="right")
    table.add_column("reason", overflow="fold")
    for p in results:
        value = "" if p.value != p.value else f"{p.value:.6g}"
        trip = f"{p.round_trip * 1000:.1f} ms" if p.round_trip == p.round_trip else ""
        table.add_row(p.tag, p.raw, value, p.unit, p.quality, trip, p.reason)
    Console().print(table)
