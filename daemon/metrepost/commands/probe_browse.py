"""`metrepost probe --browse`: what an OPC UA server offers, as lines for a line file."""

import asyncio
import csv as csv_format
import io
import re

import msgspec
import typer

from ..configuration.plan import LoadedLine
from ..endpoints.plan import OpcUaEndpoint
from . import exits
from .arguments import endpoint_of
from .trouble import CommandError, UnreachableError

_LONGEST = 60
"""Characters of a value in a comment."""


def run_browse(found: LoadedLine, endpoint_name: str | None, path: str, *, json: bool, csv: bool) -> None:
    """Browse and print. Raises CommandError for wrong arguments, a path that is not there, and a server that cannot be had."""
    endpoint = endpoint_of(found, OpcUaEndpoint, "OPC UA", "--browse", endpoint_name)
    # asyncua is imported only by who needs it: it takes 150 ms
    from ..endpoints.opcua_browse import LIMIT, NodeError, Variable, browse
    from ..endpoints.opcua_link import EndpointError, RefusedError
    from ..endpoints.opcua_security import OpcUaSettingsError

    try:
        browsed = asyncio.run(browse(endpoint, path))
    except (NodeError, OpcUaSettingsError) as error:
        raise CommandError(str(error), exits.USAGE if isinstance(error, NodeError) else exits.CONFIGURATION) from error
    except RefusedError as error:
        raise CommandError(f"{endpoint.address}: {error.reason}", exits.FAILED) from error
    except EndpointError as error:
        raise UnreachableError(f"{endpoint.address}: {error.reason}") from error
    variables = browsed.variables
    if json:
        typer.echo(msgspec.json.format(msgspec.json.encode(variables)).decode())
    elif csv:
        text = io.StringIO()
        rows = csv_format.writer(text)
        rows.writerow(Variable.__struct_fields__)
        rows.writerows(
            (v.node, v.path, v.type, v.value, v.status, v.access, "true" if v.number else "false") for v in variables
        )
        typer.echo(text.getvalue(), nl=False)
    else:
        listed = [(v.node, v.path, ", ".join((v.type, _short(v.value) or v.status, v.access)), v.number) for v in variables]
        typer.echo(as_toml(endpoint.name, listed))
    for each in browsed.refused:
        typer.echo(f"metrepost: not browsed: {each}", err=True)
    if browsed.more:
        typer.echo(f"metrepost: more than {LIMIT} variables; the rest is left out: give a path further down", err=True)


def as_toml(endpoint: str, listed: list[tuple[str, str, str, bool]]) -> str:
    """Lines for ``[station.NAME.tags]`` from node id, path, what is said of it, and whether it can be a tag; others as comments.

    `unit` is left empty: the server's word for it is not what the line file takes.
    """
    lines = [f"# under [station.NAME.tags]; fill in each unit. Endpoint {endpoint}."]
    used: set[str] = set()
    for node, path, told, number in listed:
        comment = "".join(c if c.isprintable() else "?" for c in f"# {path}: {told}")
        if number:
            key = _key(path, used)
            lines.append(f'{key} = {{ endpoint = {_quoted(endpoint)}, node = {_quoted(node)}, unit = "" }}  {comment}')
        else:
            lines.append(f"# no number: {comment[2:]}")
    return "\n".join(lines)


def _key(path: str, used: set[str]) -> str:
    """A tag's name from the last name of the path: lower case, words joined by _; numbered when it is taken."""
    last = re.split(r"(?<!&)/", path)[-1].rpartition(";")[2]
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", last).lower()
    base = re.sub(r"[^a-z0-9]+", "_", words).strip("_") or "tag"
    base = base if base[0].isalpha() else f"n{base}"
    key, number = base, 2
    while key in used:
        key, number = f"{base}_{number}", number + 1
    used.add(key)
    return key


def _quoted(text: str) -> str:
    """A TOML basic string: escapes as in JSON, and DEL, which JSON lets stand."""
    return msgspec.json.encode(text).decode().replace("\x7f", "\\u007f")


def _short(value: str) -> str:
    return value if len(value) <= _LONGEST else value[: _LONGEST - 1] + "…"
