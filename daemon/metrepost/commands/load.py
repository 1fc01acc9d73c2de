"""`metrepost load`: alarm-load figures, from the journal of a running or stopped daemon."""

from datetime import datetime

import msgspec
import typer
from rich.console import Console
from rich.table import Table

from ..alarms.load import AlarmLoad, LoadMeter, LoadSettings
from ..events import AlarmEvent
from ..journal import Reader
from ..publish.cloudevents import decode_event
from .arguments import Json, LineFile, StateFolder, line_name, state_folder


def load(line: LineFile, state: StateFolder = None, json: Json = False) -> None:
    """Alarm load per class over what the journal still holds: rates, floods, chattering, stale, most frequent, priorities.

    Windows are rolling and end with the last event of the journal.
    """
    meter = LoadMeter(LoadSettings())
    last = 0.0
    with Reader(state_folder(state), line_name(line)) as reader:
        for row in reader.export("event"):
            event = decode_event(row.payload)
            last = max(last, row.time)
            if isinstance(event, AlarmEvent):
                at = datetime.fromisoformat(event.decided).timestamp()
                last = max(last, at)
                meter.tick(at)
                meter.note(event, at)
    figures = meter.figures(last)
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode(figures)).decode())
    else:
        _print(figures)


def _print(figures: AlarmLoad) -> None:
    console = Console()
    table = Table(box=None, pad_edge=False, title=f"alarm load, rolling windows up to {figures.at}", title_justify="left")
    for name in ("class", "10 min", "hour", "day", "per 10 min", "judged", "most in 10 min", "floods", "chattering", "stale"):
        table.add_column(name, justify="left" if name in ("class", "judged") else "right")
    for name, c in figures.classes.items():
        table.add_row(
            name,
            str(c.last_10_min),
            str(c.last_hour),
            str(c.last_day),
            f"{c.average_10_min:.2f}",
            c.rate.replace("_", " "),
            str(c.most_in_10_min),
            str(c.floods),
            str(len(c.chattering)),
            str(len(c.stale)),
        )
    console.print(table)
    for name, c in figures.classes.items():
        if c.most_frequent:
            console.print(f"{name}: most frequent: " + ", ".join(f"{m.alarm} {m.count}" for m in c.most_frequent))
