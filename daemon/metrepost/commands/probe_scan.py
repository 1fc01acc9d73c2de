"""`metrepost probe --scan`: find the registers of a Modbus device that answer."""

import asyncio
import csv as csv_format
import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import get_args

import msgspec
import typer
from rich.console import Console
from rich.table import Table as Sheet

from ..clock import SystemClock
from ..configuration.plan import LoadedLine
from ..endpoints.modbus_scan import Found, scan, to_ask
from ..endpoints.plan import ModbusEndpoint, Table
from ..journal.lock import holder
from . import exits
from .arguments import endpoint_of
from .trouble import CommandError

FASTEST = 50.0
"""Largest rate, requests per second."""
_RANGE = re.compile(r"(\d{1,9})\.\.(\d{1,9})")


def run_scan(
    found: LoadedLine,
    endpoint_name: str | None,
    wanted: Sequence[str],
    rate: float,
    unit: int | None,
    folder: Path,
    *,
    beside_daemon: bool,
    json: bool,
    csv: bool,
) -> None:
    """Scan and print. Raises CommandError for every argument that is wrong, and typer.Exit when it did not come to its end."""
    if not 0.0 < rate <= FASTEST:
        raise CommandError(f"--rate is {rate:g}; it is above 0 and at most {FASTEST:g} requests per second", exits.USAGE)
    endpoint = endpoint_of(found, ModbusEndpoint, "Modbus", "--scan", endpoint_name)
    base = endpoint.address_base
    table, first, last = _range(wanted, base)
    asked = endpoint.unit_id if unit is None else unit
    if not 0 <= asked <= 255:
        raise CommandError(f"--unit-id is {asked}; allowed are 0 to 255", exits.USAGE)
    process = None if beside_daemon else holder(folder)
    if process is not None:
        raise CommandError(
            f"a daemon (process {process}) works on the state folder {folder}, and a scan can take peaks from it. "
            "End it first, or add --beside-daemon",
            exits.STATE,
        )
    registers, left_out = to_ask(endpoint, table, first - base, last - base, asked)
    _warn(endpoint, len(registers), rate, left_out)
    results: list[Found] = []
    interrupted, why = False, ""
    try:
        why = asyncio.run(scan(endpoint, SystemClock(), table, registers, asked, rate, results.append))
    except KeyboardInterrupt:
        interrupted = True
    # in the numbers of the engineer's list, as the line file has them
    results = [msgspec.structs.replace(each, register=each.register + base) for each in results]
    _print(results, json=json, csv=csv)
    if interrupted:
        typer.echo(f"metrepost: interrupted after {len(results)} of {len(registers)} registers", err=True)
        raise typer.Exit(exits.INTERRUPTED)
    if why:
        raise CommandError(f"the scan ended after {len(results)} of {len(registers)} registers: {why}", exits.UNREACHABLE)


def _range(wanted: Sequence[str], base: int) -> tuple[Table, int, int]:
    table, text = wanted
    tables: tuple[Table, ...] = get_args(Table)
    named = next((each for each in tables if each == table), None)
    if named is None:
        raise CommandError(f"--scan: there is no table {table!r}; tables are {', '.join(tables)}", exits.USAGE)
    match = _RANGE.fullmatch(text)
    if match is None or not base <= int(match[1]) <= int(match[2]) <= 65535 + base:
        counted = "counted from 1 as the endpoint's list, " if base else "zero-based, "
        raise CommandError(
            f"--scan: {text!r} is no range of registers; write FROM..TO, {counted}from {base} to {65535 + base}, such as {base}..200",
            exits.USAGE,
        )
    return named, int(match[1]), int(match[2])


def _warn(endpoint: ModbusEndpoint, count: int, rate: float, left_out: list[str]) -> None:
    typer.echo(
        "warning: reading can clear a peak, a latch or a counter that the line file does not know of; "
        "scan only while nobody relies on the device.",
        err=True,
    )
    if left_out:
        typer.echo(f"left out, for reading clears them: the registers of {', '.join(left_out)}", err=True)
    typer.echo(
        f"{endpoint.where}: {count} registers, one by one, at most {rate:g} a second: {count / rate:.0f} s or more", err=True
    )


def _print(results: list[Found], *, json: bool, csv: bool) -> None:
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode(results)).decode())
        return
    # a table of what is not there would bury what is; machines get it all in JSON
    shown = [each for each in results if not each.absent]
    if csv:
        text = io.StringIO()
        rows = csv_format.writer(text)
        rows.writerow(("table", "register", "raw", "round_trip", "reason"))
        for each in shown:
            rows.writerow((each.table, each.register, each.raw, each.round_trip if each.answered else "", each.reason))
        typer.echo(text.getvalue(), nl=False)
        return
    sheet = Sheet(box=None, pad_edge=False)
    for column in ("table", "register", "raw", "round trip", "reason"):
        sheet.add_column(column, justify="right" if column in ("register", "round trip") else "left", overflow="fold")
    for each in shown:
        trip = f"{each.round_trip * 1000:.1f} ms" if each.answered else ""
        sheet.add_row(each.table, str(each.register), each.raw, trip, each.reason)
    Console().print(sheet)
    answered = sum(each.answered for each in results)
    typer.echo(f"{answered} of {len(results)} registers answered; the device says it has not {len(results) - len(shown)}")
