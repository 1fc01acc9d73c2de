"""`metrepost points`: the point sheet of a line, tag by tag against references that a technician applies."""

import asyncio
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import msgspec
import typer
from rich.console import Console
from rich.table import Table

from ..clock import SystemClock
from ..configuration.plan import LoadedLine
from ..configuration.references import Wanted, read_references
from ..endpoints.contract import Clock
from ..points import judge, page, store, table
from ..points.model import Point, Record, Trial, Waiver
from ..points.sheet import Row, Sheet, sheet, sign
from ..points.sources import points_of
from ..points.words import NO_SAFETY, STATES, notes, number, signed, signed_number, summary
from ..readings.moment import rfc3339
from . import exits
from .arguments import Json, LineFile, StateFolder, loaded, state_folder
from .points_read import read_points
from .trouble import CommandError

_LONGEST = 80
"""Characters of a name."""


def points(
    line: LineFile,
    only: Annotated[list[str] | None, typer.Option("--only", metavar="TAG", help="Only this tag; may be repeated.")] = None,
    status: Annotated[bool, typer.Option("--status", help="Show the sheet; ask nothing, connect to nothing.")] = False,
    from_: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE", help="References that are applied now (TOML or CSV): read them all."),
    ] = None,
    waive: Annotated[
        list[str] | None,
        typer.Option("--waive", metavar="TAG", help="Waive this tag, with --remark and --by; may be repeated."),
    ] = None,
    sign_: Annotated[bool, typer.Option("--sign", help="Sign the whole sheet, once every point is pass or waived.")] = False,
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who does it.")] = None,
    remark: Annotated[
        str, typer.Option("--remark", metavar="TEXT", help="Why it is waived; what is said at the signature.")
    ] = "",
    accept_uncertain: Annotated[
        bool, typer.Option("--accept-uncertain", help="Let values of uncertain quality pass too.")
    ] = False,
    html: Annotated[Path | None, typer.Option("--html", metavar="FILE", help="Print the sheet as a page for paper.")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write the sheet as CSV.")] = None,
    state: StateFolder = None,
    json: Json = False,
) -> None:
    """Prove each tag of a line: apply a reference, read the tag from its real endpoint, keep who saw what and when.

    Without --status, --from, --waive or --sign it asks tag by tag and can be ended at any time. Exit code 0 when every point is
    pass or waived, 1 when one failed, 7 when something is still to be done. It proves no safety function.
    """
    if sum((status, from_ is not None, bool(waive))) > 1 or (status and sign_):
        raise CommandError(
            "--status, --from and --waive exclude each other, and --status signs nothing; choose one", exits.USAGE
        )
    asking = not (status or from_ is not None or waive or sign_)
    if asking and json:
        raise CommandError("--json goes with --status, --from, --waive or --sign: nothing is asked then", exits.USAGE)
    found = loaded(line)
    known = points_of(found)
    folder = state_folder(state)
    chosen = _chosen(known, only or [])
    name = _name(by)
    book = store.load(folder, found.plan.name)
    clock = SystemClock()
    if not name and (waive or sign_ or asking):
        raise CommandError("who does it? Give --by NAME: it stands on the sheet", exits.USAGE)
    if from_ is not None:
        wanted = read_references(from_, known, name)
        allowed = {point.tag for point in chosen}
        wanted = [each for each in wanted if each.tag in allowed]
        if not wanted:
            raise CommandError(f"{from_} names none of the tags of --only; nothing is to be done", exits.USAGE)
        records = asyncio.run(_from_file(found, known, wanted, folder, clock, accept_uncertain=accept_uncertain))
        book = store.add(folder, found.plan.name, records) if records else book
    elif waive:
        if not remark.strip():
            raise CommandError("a waiver needs its reason: --remark TEXT", exits.USAGE)
        waived = [p for p in _chosen(known, waive) if not _refuse_derived(p)]
        at = rfc3339(clock.line_time())
        book = store.add(folder, found.plan.name, [Waiver(point=p, at=at, by=name, remark=remark) for p in waived])
    elif asking:
        from .points_ask import Desk

        rows = sheet(_line(found), chosen, book).rows
        Desk(found, folder, name, clock, accept_uncertain=accept_uncertain).work(rows, all_of_them=bool(only))
        book = store.load(folder, found.plan.name)
    if sign_:
        _may_sign(sheet(_line(found), known, book))
        book = store.add(
            folder,
            found.plan.name,
            [sign(known, book, by=name, at=rfc3339(clock.line_time()), remark=remark)],
        )
    now = sheet(_line(found), known, book)
    _write(now, html, csv, rfc3339(clock.line_time()))
    mine = msgspec.structs.replace(now, rows=tuple(row for row in now.rows if not only or row.point in chosen))
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode(mine)).decode())
    else:
        _show(mine)
    if any(row.state == "fail" for row in mine.rows):
        raise typer.Exit(exits.FAILED)
    if mine.unsettled:
        raise typer.Exit(exits.OPEN)


def _line(found: LoadedLine) -> str:
    return found.plan.source.lstrip("/")


def _name(by: str | None) -> str:
    name = (by or "").strip()
    if by is not None and not (name.isprintable() and 0 < len(name) <= _LONGEST):
        raise CommandError(f"--by is a name of 1 to {_LONGEST} printable characters, not {by!r}", exits.USAGE)
    return name


def _chosen(known: Sequence[Point], names: Sequence[str]) -> list[Point]:
    by_tag = {point.tag: point for point in known}
    for name in names:
        if name not in by_tag:
            raise CommandError(f"there is no tag {name!r}; tags are {', '.join(by_tag)}", exits.USAGE)
    return [point for point in known if not names or point.tag in names]


def _refuse_derived(point: Point) -> bool:
    if point.derived:
        raise CommandError(f"{point.tag} is computed; prove or waive what it is computed from: {point.place}", exits.USAGE)
    return False


async def _from_file(
    found: LoadedLine, known: Sequence[Point], wanted: Sequence[Wanted], folder: Path, clock: Clock, *, accept_uncertain: bool
) -> list[Record]:
    """The records of a file of references. What must not be read is said and not recorded."""
    by_tag = {point.tag: point for point in known}
    to_read = [by_tag[each.tag] for each in wanted if not each.waive]
    came, refused = await read_points(found, to_read, folder, clock)
    for tag, why in refused.items():
        typer.echo(f"metrepost: {tag}: {why}", err=True)
    records: list[Record] = []
    now = rfc3339(clock.line_time())
    for each in wanted:
        point = by_tag[each.tag]
        if each.waive:
            remark = f"{each.waive}; {each.remark}" if each.remark else each.waive
            records.append(Waiver(point=point, at=now, by=each.by, remark=remark))
        elif each.tag in came:
            probed = came[each.tag]
            records.append(
                judge.trial(
                    point,
                    reference=each.reference,
                    allowed=each.allowed,
                    value=probed.value,
                    raw=probed.raw,
                    quality=probed.quality,
                    reason=probed.reason,
                    by=each.by,
                    at=now,
                    remark=each.remark,
                    accept_uncertain=accept_uncertain or each.accept_uncertain,
                )
            )
    return records


def _may_sign(now: Sheet) -> None:
    if not now.rows or now.unsettled:
        left = ", ".join(f"{row.point.tag} ({STATES[row.state].lower()})" for row in now.unsettled) or "there is no point"
        failed = any(row.state == "fail" for row in now.unsettled)
        raise CommandError(
            f"the sheet is not signed: every point must pass or be waived with a reason first. Left: {left}",
            exits.FAILED if failed else exits.OPEN,
        )


def _write(now: Sheet, html: Path | None, csv: Path | None, printed: str) -> None:
    text = io.StringIO(newline="")
    table.write_csv(now, text)
    for file, made in ((html, page.as_html(now, printed)), (csv, text.getvalue())):
        if file is not None:
            try:
                store.replace(file, made.encode())
            except OSError as error:
                raise CommandError(f"{file} cannot be written: {error.strerror or error}", exits.STATE) from error


def _show(now: Sheet) -> None:
    sheet_table = Table(box=None, pad_edge=False)
    for column in ("point", "result", "reference", "read", "difference", "allowed", "unit", "by, when", "remark"):
        right = column in ("reference", "read", "difference", "allowed")
        sheet_table.add_column(column, justify="right" if right else "left", overflow="fold")
    for row in now.rows:
        sheet_table.add_row(*_cells(row))
    Console(markup=False, highlight=False).print(sheet_table)
    typer.echo(summary(now))
    if now.gone:
        typer.echo(f"no longer in the line file: {', '.join(now.gone)}")
    if now.signature is not None:
        typer.echo(f"the sheet was {signed(now.signature)}")
        for why in now.broken:
            typer.echo(f"the signature does not hold today: {why}")
    typer.echo(NO_SAFETY)


def _cells(row: Row) -> list[str]:
    last = row.last
    tried = last if isinstance(last, Trial) else None
    return [
        row.point.tag,
        STATES[row.state],
        number(tried.reference) if tried else "",
        (number(tried.value) or "no value") if tried else "",
        signed_number(tried.difference) if tried else "",
        number(tried.allowed) if tried else "",
        row.point.unit,
        f"{last.by}, {last.at[:16]}Z" if last else "",
        "; ".join(notes(row)),
    ]
