"""`metrepost reload`: have a running daemon take over changed files."""

import os
import signal
import time
from collections.abc import Iterator
from typing import Annotated

import msgspec
import typer

from ..events import ConfigurationEvent
from ..journal import Reader
from ..journal.lock import holder
from ..publish.cloudevents import decode_event
from . import exits
from .arguments import Json, LineFile, StateFolder, loaded, state_folder
from .trouble import CommandError

LOOK = 0.1
"""Seconds between two looks into the journal for the daemon's answer."""


Wait = Annotated[float, typer.Option("--wait", metavar="SECONDS", help="How long the daemon may take to answer.", min=1.0)]


def reload(line: LineFile, state: StateFolder = None, json: Json = False, wait: Wait = 30.0) -> None:
    """Check the changed files here, then have the daemon that holds the state folder take them over (all its lines).

    Alarms of rules that are as before keep their state. Exit code 3 when a file is wrong or the daemon refused: nothing has changed
    then.
    """
    name = loaded(line).plan.name
    folder = state_folder(state)
    process = holder(folder)
    if process is None:
        raise CommandError(f"no daemon works on the state folder {folder}; `metrepost run` starts one", exits.STATE)
    with Reader(folder, name) as reader:
        last = reader.last("event")
        os.kill(process, signal.SIGHUP)
        for event in _answers(reader, last, wait):
            if json:
                typer.echo(msgspec.json.encode(event).decode())
            else:
                typer.echo(event.explanation)
                for change in event.changes:
                    typer.echo(f"  {change.file}: {change.key}: {change.before or '(not there)'} -> {change.after or '(gone)'}")
            if event.what == "reload_refused":
                raise CommandError(f"the daemon (process {process}) kept what it had", exits.CONFIGURATION)
            return
    raise CommandError(f"the daemon (process {process}) did not answer within {wait:g} s; see its log", exits.STATE)


def _answers(reader: Reader, after: int, wait: float) -> Iterator[ConfigurationEvent]:
    until = time.monotonic() + wait
    while time.monotonic() < until:
        for row in reader.export("event", f"{reader.epoch}:{after}"):
            after = row.sequence
            event = decode_event(row.payload)
            if isinstance(event, ConfigurationEvent) and event.what in ("reload", "reload_refused"):
                yield event
        time.sleep(LOOK)
