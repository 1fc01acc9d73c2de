"""`metrepost check`: load a line with everything it names, and judge it; nothing is connected to."""

import msgspec
import typer

from ..configuration.judgement import judge
from ..notify.channel import Channel
from .arguments import Json, LineFile, loaded


def check(line: LineFile, json: Json = False) -> None:
    """Check a line file with its products and rules: every fault at once, then what the settings mean.

    Exit code 3 when a file is wrong.
    """
    found = loaded(line)
    for person in found.notify.people:
        for url in person.urls:
            Channel(person.name, url, timeout=1.0)  # opens no connection; an URL nobody can send to is refused
    notes = judge(found)
    plan = found.plan
    if json:
        body = {
            "source": plan.source,
            "files": [str(f) for f in found.files],
            "stations": len(plan.stations),
            "tags": len(plan.tags),
            "rules": len(found.rules),
            "notes": [msgspec.to_builtins(n) for n in notes],
        }
        typer.echo(msgspec.json.format(msgspec.json.encode(body)).decode())
        return
    typer.echo(f"{plan.source}: {len(plan.stations)} stations, {len(plan.tags)} tags, {len(found.rules)} rules: no fault")
    for note in notes:
        typer.echo(f"  {note}")
