"""`metrepost schema`: the shipped JSON Schemas and the AsyncAPI document."""

from pathlib import Path
from typing import Annotated

import msgspec
import typer

from . import exits
from .trouble import CommandError


def schema(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="One schema; the list of names when left out.")] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Write all of them into a folder.")] = None,
) -> None:
    """Print the schemas of payloads (for IT) and of line, product and rule files (for editors)."""
    # generating them loads every model: only who asks pays for that
    from ..configuration.schemas import schemas as file_schemas
    from ..publish.schema import asyncapi
    from ..publish.schema import schemas as payload_schemas

    found: dict[str, object] = {
        **payload_schemas(),
        **{f"file-{k}": v for k, v in file_schemas().items()},
        "asyncapi": asyncapi(),
    }
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        for key, value in found.items():
            (out / f"{key}.json").write_bytes(msgspec.json.format(msgspec.json.encode(value)))
        typer.echo(f"{len(found)} files written to {out}")
        return
    if name is None:
        typer.echo("\n".join(sorted(found)))
        return
    if name not in found:
        raise CommandError(f"there is no schema {name!r}; there are {', '.join(sorted(found))}", exits.USAGE)
    typer.echo(msgspec.json.format(msgspec.json.encode(found[name])).decode())
