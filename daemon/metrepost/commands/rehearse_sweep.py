"""`metrepost rehearse --sweep`: what a rule would tell of a recording, against one of its settings."""

import multiprocessing
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from ..configuration.faults import ConfigurationError, nearest
from ..configuration.load import load_line
from ..configuration.mapping import WideMapping, read_mapping
from ..configuration.plan import LoadedLine
from . import exits
from .arguments import find_line, loaded
from .trouble import CommandError

if TYPE_CHECKING:
    from ..recordings.sweep import Sweep, Tried

Pieces = tuple[tuple[float, float], ...]


class _TruthRow(msgspec.Struct):
    kind: str
    start: float | None = msgspec.field(default=None, name="from")
    end: float | None = msgspec.field(default=None, name="to")


def sweep_setting(
    line: Path, recording: Path, text: str, svg: Path | None, truth: Path | None, mapping: Path | None = None, *, json: bool
) -> None:
    """Rehearse once for each value, in as many processes as there are cores; a table, and a picture.

    Raises CommandError for a sweep, rule, truth or recording that cannot be used. A value that its rule cannot have is a row that
    says why.
    """
    from ..recordings.faults import RecordingError
    from ..recordings.reader import Recording
    from ..recordings.sweep import SweepError, read_sweep
    from ..recordings.sweep_picture import picture

    try:
        sweep = read_sweep(text)
    except SweepError as error:
        raise CommandError(f"--sweep: {error}", exits.USAGE) from error
    found = loaded(line)
    flaws = _flaws(truth, _rule_of(found, sweep))
    try:
        wide = None if mapping is None else read_mapping(mapping, found.plan.tags)
        Recording(recording, wide)
    except RecordingError as error:
        raise CommandError(str(error), exits.CONFIGURATION) from error
    tried = _all(find_line(line), recording, sweep, flaws, wide, quiet=json)
    if svg is not None:
        try:
            svg.write_text(picture(sweep.name, tried), encoding="utf-8")
        except OSError as error:
            raise CommandError(f"--svg {svg} cannot be written: {error.strerror}", exits.STATE) from error
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode({"setting": sweep.name, "tried": tried})).decode())
    else:
        _print(sweep, tried, truth=flaws is not None)
    if all(one.refused for one in tried):
        why = tried[0].refused
        raise CommandError(f"no value of {sweep.name} could be tried: {why}", exits.CONFIGURATION)


def _rule_of(line: LoadedLine, sweep: "Sweep") -> str:
    """The direction of the rule's flaws, "" for a rule of another kind. Raises CommandError for a rule that is not there."""
    from ..recordings.sweep import rules_of

    made = rules_of(sweep.rule, [name for name, _ in line.rules])
    for name, settings in line.rules:
        if name in made:
            return str(getattr(settings, "direction", "")) if settings.kind == "flaw" else ""
    near = nearest(sweep.rule, [name for name, _ in line.rules])
    hint = f"; nearest: {near}" if near else ""
    raise CommandError(f"--sweep: {line.plan.name} has no rule {sweep.rule!r}{hint}", exits.USAGE)


def _flaws(truth: Path | None, direction: str) -> Pieces | None:
    if truth is None:
        return None
    if not direction:
        raise CommandError("--truth: only rules of kind flaw are judged against a truth", exits.USAGE)
    try:
        rows = [msgspec.json.decode(row, type=_TruthRow) for row in truth.read_bytes().splitlines() if row.strip()]
    except OSError as error:
        raise CommandError(f"--truth {truth} cannot be read: {error.strerror}", exits.CONFIGURATION) from error
    except (msgspec.ValidationError, msgspec.DecodeError) as error:
        raise CommandError(
            f"--truth {truth} is no truth of the simulator (JSON lines): {error}", exits.CONFIGURATION
        ) from error
    return tuple((r.start, r.end) for r in rows if r.kind == direction and r.start is not None and r.end is not None)


def _all(
    line: Path, recording: Path, sweep: "Sweep", flaws: Pieces | None, wide: WideMapping | None, *, quiet: bool
) -> list["Tried"]:
    bar = Progress(
        TextColumn("rehearsing"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        disable=quiet or not sys.stderr.isatty(),
    )
    workers = min(len(sweep.values), os.cpu_count() or 1)
    found: dict[int, Tried] = {}
    with bar, ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        task = bar.add_task("", total=len(sweep.values))
        waiting = {pool.submit(one_value, line, recording, sweep, n, flaws, wide): n for n in range(len(sweep.values))}
        for done in as_completed(waiting):
            found[waiting[done]] = done.result()
            bar.advance(task)
    return [found[n] for n in range(len(sweep.values))]


def one_value(
    line: Path, recording: Path, sweep: "Sweep", number: int, flaws: Pieces | None, wide: WideMapping | None = None
) -> "Tried":
    """One value's rehearsal, from the files. `refused` says what was wrong with the value, or that the recording went meanwhile."""
    from ..recordings.faults import RecordingError
    from ..recordings.reader import Recording
    from ..recordings.rehearsal import Rehearsal
    from ..recordings.sweep import Tried, judged, rules_of, told_by

    value = sweep.values[number]
    try:
        found = load_line(line, over=sweep.overrides(value))
    except ConfigurationError as error:
        return Tried(value=value, refused="; ".join(dict.fromkeys(fault.wrong for fault in error.faults)))
    rules = rules_of(sweep.rule, [name for name, _ in found.rules])
    reads = frozenset(tag for name, settings in found.rules if name in rules for tag in settings.tags())
    rehearsal = Rehearsal(found, "sweep", "", watch=reads)
    try:
        for item in Recording(recording, wide).inputs():
            rehearsal.feed(item)
    except RecordingError as error:
        return Tried(value=value, refused="; ".join(dict.fromkeys(fault.wrong for fault in error.faults)))
    own = sum(len(tally.raised) for tally in told_by(rules, rehearsal.alarms))
    load = rehearsal.load()
    passed, hits, beside = (None,) * 3 if flaws is None else judged(rules, rehearsal.alarms, flaws, rehearsal.seen)
    return Tried(
        value=value,
        own=own,
        others=sum(len(t.raised) for t in rehearsal.alarms.values()) - own,
        most_in_10_min=max((c.most_in_10_min for c in load.classes.values()), default=0),
        floods=sum(c.floods for c in load.classes.values()),
        drops=sum(n for rule, n in rehearsal.drops.items() if rule in rules),
        flaws=passed,
        hits=hits,
        beside=beside,
    )


def _print(sweep: "Sweep", tried: Sequence["Tried"], *, truth: bool) -> None:
    table = Table(box=None, pad_edge=False, title=sweep.name, title_justify="left")
    names = ["value", f"alarms of {sweep.rule}", "others", "most in 10 min", "floods", "drops held back"]
    for name in [*names, *(["flaws found", "alarms on no flaw"] if truth else []), ""]:
        table.add_column(name, justify="left" if not name else "right")
    for one in tried:
        if one.refused:
            table.add_row(str(one.value), *[""] * (len(table.columns) - 2), f"refused: {one.refused}")
            continue
        cells = [one.own, one.others, one.most_in_10_min, one.floods, one.drops]
        judged = [f"{one.hits} of {one.flaws}", str(one.beside)] if truth else []
        table.add_row(str(one.value), *map(str, cells), *judged, "")
    Console().print(table)
