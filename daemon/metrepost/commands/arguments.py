"""Arguments that several commands share."""

import os
import re
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from ..configuration.load import load_line
from ..configuration.plan import LoadedLine
from ..configuration.shipped import shipped_config
from ..endpoints.plan import Endpoint
from ..readings.units import Quantity, UnitError
from . import exits
from .trouble import CommandError

LineFile = Annotated[
    Path, typer.Argument(metavar="LINE", help="Line file (TOML), or the name of a shipped one such as core-3.")
]
StateFolder = Annotated[
    Path | None,
    typer.Option("--state", metavar="DIR", help="State folder: journal and snapshots. [default: ./state, or $METREPOST_STATE]"),
]
Json = Annotated[bool, typer.Option("--json", help="Write JSON for machines.")]
Csv = Annotated[bool, typer.Option("--csv", help="Write CSV (RFC 4180) with a header.")]
LogLevel = Annotated[str, typer.Option("--log-level", help="debug, info, warning, error or critical.")]


def find_line(line: Path) -> Path:
    """The line file a person means: a path, or the name of a shipped one. Raises CommandError."""
    if line.is_file():
        return line
    named = shipped_config() / f"{line.name}.toml"
    if not line.suffix and len(line.parts) == 1 and named.is_file():
        return named
    shipped = ", ".join(sorted(p.stem for p in shipped_config().glob("*.toml")))
    raise CommandError(f"there is no line file {line}; shipped lines are: {shipped}", exits.CONFIGURATION)


def loaded(line: Path) -> LoadedLine:
    """Load a line file. Raises ConfigurationError or CommandError."""
    return load_line(find_line(line))


def state_folder(given: Path | None) -> Path:
    """The state folder: the option, the environment, or ./state."""
    return given or Path(os.environ.get("METREPOST_STATE", "state"))


def line_name(line: Path) -> str:
    """The journal's name for a line given as file or name, without reading more of the file than must be."""
    try:
        return loaded(line).plan.name
    except CommandError:
        if re.fullmatch(r"[a-z0-9_-]+", str(line)):
            return str(line)
        raise


def seconds(text: str | None) -> float | None:
    """A duration such as 60s, "2 min" or a plain number of seconds. Raises typer.BadParameter."""
    if text is None:
        return None
    spaced = re.sub(r"^([\d.]+)\s*([a-z]+)$", r"\1 \2", text.strip())
    try:
        value = float(text) if re.fullmatch(r"[\d.]+", text) else Quantity.parse(spaced).to("s")
    except (UnitError, ValueError) as error:
        raise typer.BadParameter(f"{text!r} is no duration; write 60s, 90 or '2 min'") from error
    if value <= 0:
        raise typer.BadParameter("a duration is above 0")
    return value


E = TypeVar("E", bound=Endpoint)


def endpoint_of(line: LoadedLine, kind: type[E], protocol: str, option: str, name: str | None) -> E:
    """The endpoint of a protocol that a person means: the one named, or the only one there is. Raises CommandError."""
    fits = [e for e in line.endpoints if isinstance(e, kind)]
    if name is None and len(fits) == 1:
        return fits[0]
    chosen = next((e for e in fits if e.name == name), None)
    if chosen is None:
        what = f"{option} needs --endpoint NAME" if name is None else f"{name!r} is no {protocol} endpoint of this line"
        names = ", ".join(sorted(e.name for e in fits)) or "none"
        raise CommandError(f"{what}; {protocol} endpoints are: {names}", exits.USAGE)
    return chosen
