"""`metrepost probe`: read each tag once from the real device and show raw words beside the value."""

import asyncio
from typing import Annotated

import msgspec
import typer

from ..clock import SystemClock
from ..configuration.plan import LoadedLine
from ..endpoints.contract import Probed
from ..endpoints.plan import ModbusEndpoint
from ..endpoints.start import runner_for
from . import exits, probe_tables
from .arguments import Csv, Json, LineFile, StateFolder, loaded, state_folder
from .trouble import CommandError


def probe(
    line: LineFile,
    tag: Annotated[
        list[str] | None,
        typer.Argument(metavar="[TAG...]", help="Tags (station.tag), all when left out; a path with --browse."),
    ] = None,
    decodings: Annotated[
        bool, typer.Option("--decodings", help="Show Modbus words under every type and order that fits them.")
    ] = False,
    endpoint: Annotated[str | None, typer.Option("--endpoint", metavar="NAME", help="Endpoint to scan or browse.")] = None,
    scan: Annotated[
        tuple[str, str] | None,
        typer.Option("--scan", metavar="TABLE FROM..TO", help="Find the Modbus registers that answer, such as input 0..200."),
    ] = None,
    rate: Annotated[
        float | None, typer.Option("--rate", help="Requests per second of a scan, at most 50. [default: 5]")
    ] = None,
    unit_id: Annotated[int | None, typer.Option("--unit-id", help="Device to scan. [default: the endpoint's]")] = None,
    beside_daemon: Annotated[
        bool, typer.Option("--beside-daemon", help="Scan although a daemon holds the state folder: it may lose peaks.")
    ] = False,
    state: StateFolder = None,
    browse: Annotated[
        bool, typer.Option("--browse", help="List what an OPC UA server offers below a path, such as Objects/Trough, as tags.")
    ] = False,
    json: Json = False,
    csv: Csv = False,
) -> None:
    """Read tags once, each from its real endpoint: raw words, value, unit, quality, round trip.

    Registers that a read clears are left out: reading them would take a peak from the daemon. Exit code 1 when a tag is bad.
    """
    if json and csv:
        raise CommandError("--json and --csv exclude each other; choose one", exits.USAGE)
    wanted = tag or []
    if scan is not None:
        if wanted or decodings or browse:
            raise CommandError("--scan takes neither tags nor --decodings nor --browse; give one of them", exits.USAGE)
        from .probe_scan import run_scan

        folder = state_folder(state)
        run_scan(
            loaded(line),
            endpoint,
            scan,
            5.0 if rate is None else rate,
            unit_id,
            folder,
            beside_daemon=beside_daemon,
            json=json,
            csv=csv,
        )
        return
    if beside_daemon or any(each is not None for each in (rate, unit_id, state)):
        raise CommandError("--rate, --unit-id, --state and --beside-daemon go with --scan", exits.USAGE)
    if browse:
        if len(wanted) > 1 or decodings:
            raise CommandError("--browse takes one path and no --decodings", exits.USAGE)
        from .probe_browse import run_browse

        run_browse(loaded(line), endpoint, wanted[0] if wanted else "Objects", json=json, csv=csv)
        return
    if endpoint is not None:
        raise CommandError("--endpoint goes with --scan or --browse; tags know their endpoint", exits.USAGE)
    found = loaded(line)
    measured = {p.tag for e in found.endpoints for p in e.points}
    for name in wanted:
        if name not in measured:
            raise CommandError(f"no endpoint serves a tag {name!r}; tags are {', '.join(sorted(measured))}", exits.USAGE)
    results = asyncio.run(_probe_all(found, wanted))
    if decodings:
        results = _with_decodings(found, results)
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode(results)).decode())
    elif csv:
        typer.echo(probe_tables.as_csv(results, decodings=decodings), nl=False)
    else:
        probe_tables.show(results, decodings=decodings)
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


def _with_decodings(found: LoadedLine, results: list[Probed]) -> list[Probed]:
    """The same, with `decodings` and `advice` in the detail of each Modbus tag that was read and is a number."""
    from ..endpoints.modbus_decodings import advice, decodings, words_of

    points = {p.tag: p for e in found.endpoints if isinstance(e, ModbusEndpoint) for p in e.points}
    made = []
    for one in results:
        point = points.get(one.tag)
        tried = decodings(point, words_of(one.raw)) if point and point.table in ("holding", "input") else []
        more = {"decodings": tried, "advice": advice(one.tag, tried)} if tried else {}
        made.append(msgspec.structs.replace(one, detail={**one.detail, **more}))
    return made
