"""`metrepost rehearse`: what a line's rules would have said of a recording."""

import contextlib
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, BinaryIO

import msgspec
import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from ..alarms.load import AlarmLoad
from ..configuration.load import load_line
from ..configuration.mapping import read_mapping
from ..configuration.plan import LoadedLine
from . import exits
from .arguments import Json, LineFile, find_line, loaded
from .rehearse_sweep import sweep_setting
from .trouble import CommandError

if TYPE_CHECKING:
    from ..recordings.compare import AlarmDifference
    from ..recordings.reader import Recording
    from ..recordings.rehearsal import Rehearsal, Sink

PLACES = 6
"""Places of an alarm that a table names; --json has all."""


def rehearse(
    line: LineFile,
    recording: Annotated[Path, typer.Argument(metavar="RECORDING", help="A .parquet or .csv file, or a folder of chunks.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Write events.jsonl and rollups.jsonl there, one CloudEvent a line."),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against", metavar="OTHER", help="Another line file, or a folder of changed rule files: what would change."
        ),
    ] = None,
    sweep: Annotated[
        str | None,
        typer.Option(
            "--sweep",
            metavar="RULE.KEY=FROM..TO",
            help="Try a setting at several values (=FROM..TO, =FROM..TO/NUMBER or =A,B,C): alarms against the setting.",
        ),
    ] = None,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="With --sweep: a picture of it.")] = None,
    truth: Annotated[
        Path | None,
        typer.Option("--truth", metavar="FILE", help="With --sweep of a flaw rule: truth.jsonl of the simulator; flaws found."),
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option(
            "--mapping", metavar="FILE", help="RECORDING is a wide table of the plant; FILE says what its columns are."
        ),
    ] = None,
    json: Json = False,
) -> None:
    """Feed a recording to the same core that runs live: events, rollups, alarms and load figures. Nothing is connected to.

    Exit code 3 when the line's files or the recording are wrong, told with file, row and column.
    """
    from ..recordings.compare import compare
    from ..recordings.faults import RecordingError
    from ..recordings.reader import Recording
    from ..recordings.rehearsal import Rehearsal, epoch_of

    if sweep is not None:
        if out is not None or against is not None:
            raise typer.BadParameter("goes with neither --out nor --against", param_hint="--sweep")
        sweep_setting(line, recording, sweep, svg, truth, mapping, json=json)
        return
    if svg is not None or truth is not None:
        raise typer.BadParameter("goes with --sweep only", param_hint="--svg" if svg is not None else "--truth")
    found = loaded(line)
    other = None if against is None else _other(line, against)
    wide = None if mapping is None else read_mapping(mapping, found.plan.tags)
    try:
        held = Recording(recording, wide)
    except RecordingError as error:
        raise CommandError(str(error), exits.CONFIGURATION) from error
    unknown = {tag: n for tag, n in held.survey.tags.items() if tag not in found.plan.tags}
    if unknown and len(unknown) == len(held.survey.tags):
        raise CommandError(
            f"{recording}: none of its {len(unknown)} tags is a tag of {found.plan.name} ({', '.join(sorted(unknown)[:5])} …); "
            "name the line file that belongs to it, or the tags as station.tag of this one",
            exits.CONFIGURATION,
        )
    name = re.sub(r"[^a-z0-9]+", "-", recording.resolve().stem.lower()).strip("-") or "recording"
    read = () if mapping is None else (mapping,)
    with _written(out) as sink:
        first = Rehearsal(found, name, epoch_of(held.survey.hash, (*found.files, *read)), sink)
        second = None if other is None else Rehearsal(other, name, epoch_of(held.survey.hash, (*other.files, *read)))
        try:
            _feed(held, first, second, quiet=json)
        except RecordingError as error:
            raise CommandError(str(error), exits.CONFIGURATION) from error
    differences = None if second is None else compare(first.alarms, second.alarms)
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode(_body(held, unknown, first, second, differences))).decode())
    else:
        _print(held, unknown, first, second, differences)


def _other(line: Path, against: Path) -> LoadedLine:
    """The other rule set: a folder of rule files stands before the usual places; anything else is a line file."""
    if against.is_dir():
        return load_line(find_line(line), rules_dirs=[against])
    return loaded(against)


@contextlib.contextmanager
def _written(out: Path | None) -> "Iterator[Sink | None]":
    if out is None:
        yield None
        return
    try:
        out.mkdir(parents=True, exist_ok=True)
        with (out / "events.jsonl").open("wb") as events, (out / "rollups.jsonl").open("wb") as rollups:
            files: dict[str, BinaryIO] = {"event": events, "rollup": rollups}
            yield lambda stream, payload: files[stream].writelines((payload, b"\n"))
    except OSError as error:
        raise CommandError(f"--out {out} cannot be written: {error.strerror}", exits.STATE) from error


def _feed(held: "Recording", first: "Rehearsal", second: "Rehearsal | None", *, quiet: bool) -> None:
    console = Console(stderr=True)
    bar = Progress(
        TextColumn("rehearsing"),
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        disable=quiet or not sys.stderr.isatty(),
    )
    survey = held.survey
    with bar:
        task = bar.add_task("", total=max(survey.last - survey.first, 1e-9))
        feeds: list[Callable[[Any], None]] = [r.feed for r in (first, second) if r is not None]
        for n, item in enumerate(held.inputs()):
            for feed in feeds:
                feed(item)
            if n % 10_000 == 0:
                bar.update(task, completed=item.time - survey.first)


def _body(
    held: "Recording",
    unknown: dict[str, int],
    first: "Rehearsal",
    second: "Rehearsal | None",
    differences: "list[AlarmDifference] | None",
) -> dict[str, Any]:
    survey = held.survey
    body: dict[str, Any] = {
        "source": first.source,
        "epoch": first.epoch,
        "recording": {
            "files": survey.files,
            "rows": survey.rows,
            "ticks": survey.ticks,
            "acts": survey.acts,
            "seconds": survey.last - survey.first,
            "dropped": survey.dropped,
            "unknown_tags": unknown,
            "unreadable": survey.unreadable,
        },
        "events": first.counts["event"],
        "rollups": first.counts["rollup"],
        "alarms": list(first.alarms.values()),
        "load": first.load(),
    }
    if second is not None:
        body["against"] = {
            "epoch": second.epoch,
            "events": second.counts["event"],
            "alarms": differences,
            "load": second.load(),
        }
    return body


def _print(
    held: "Recording",
    unknown: dict[str, int],
    first: "Rehearsal",
    second: "Rehearsal | None",
    differences: "list[AlarmDifference] | None",
) -> None:
    console = Console()
    survey = held.survey
    ticks = "ticks recorded" if survey.ticks else "ticks made from its times"
    typer.echo(f"{first.source}, epoch {first.epoch}")
    typer.echo(f"{survey.rows} rows in {survey.files} files, {survey.last - survey.first:.1f} s of line time, {ticks}")
    if survey.dropped:
        typer.echo(f"{survey.dropped} inputs are missing: the recorder could not keep up or had no room")
    if survey.unreadable:
        cells = ", ".join(f"{tag} ({n})" for tag, n in sorted(survey.unreadable.items()))
        typer.echo(f"cells that hold no number, taken as bad: {cells}")
    if unknown:
        typer.echo(f"not in the line file, left out: {', '.join(f'{tag} ({n} rows)' for tag, n in sorted(unknown.items()))}")
    typer.echo(f"{first.counts['event']} events, {first.counts['rollup']} rollups")
    if differences is None:
        table = _table("alarm", "class", "priority", "raised", "at metre")
        for _, tally in sorted(first.alarms.items()):
            name = tally.alarm + (" (trial)" if tally.trial else "")
            table.add_row(name, tally.class_, tally.priority, str(len(tally.raised)), _places(tally.raised))
        if first.alarms:
            console.print(table)
        else:
            typer.echo("no alarm was raised")
        _print_load(console, first.load())
        return
    assert second is not None
    table = _table("alarm", "before", "after", "same", "added at", "removed at")
    for one in differences:
        table.add_row(one.alarm, str(one.before), str(one.after), str(one.same), _places(one.added), _places(one.removed))
    if differences:
        console.print(table)
    else:
        typer.echo("neither raised an alarm")
    _print_load(console, first.load(), second.load())


def _table(*names: str) -> Table:
    table = Table(box=None, pad_edge=False)
    for name in names:
        table.add_column(name, justify="right" if name in ("raised", "before", "after", "same") else "left")
    return table


def _places(raised: list[Any]) -> str:
    shown = [f"{one.metre:.2f} m" if one.metre is not None else one.onset[11:19] for one in raised[:PLACES]]
    return ", ".join(shown) + (f" … and {len(raised) - PLACES} more" if len(raised) > PLACES else "")


def _print_load(console: Console, load: AlarmLoad, after: AlarmLoad | None = None) -> None:
    table = Table(box=None, pad_edge=False, title="alarm load" if after is None else "alarm load, before → after")
    table.title_justify = "left"
    for name in ("class", "alarms", "per 10 min", "judged", "most in 10 min", "floods"):
        table.add_column(name, justify="left" if name in ("class", "judged") else "right")
    for name, c in load.classes.items():
        cells = _cells(c)
        if after is not None:
            cells = [f"{a} → {b}" for a, b in zip(cells, _cells(after.classes[name]), strict=True)]
        table.add_row(name, *cells)
    console.print(table)


def _cells(c: Any) -> list[str]:
    return [str(c.last_day), f"{c.average_10_min:.2f}", c.rate.replace("_", " "), str(c.most_in_10_min), str(c.floods)]
