"""`metrepost`: what a person types. One file a command; this one joins them and turns errors into sentences and exit codes."""

import sys
from typing import Annotated

import typer

from .. import __version__
from ..configuration.faults import ConfigurationError
from ..journal.errors import JournalError
from ..notify.channel import UrlError
from . import exits
from .act import act
from .check import check
from .demo import demo
from .export import export
from .load import load
from .points import points
from .probe import probe
from .record import record
from .rehearse import rehearse
from .reload import reload
from .run import run
from .schema import schema
from .simulate import simulate
from .trouble import CommandError

app = typer.Typer(
    name="metrepost",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "Data acquisition and alarm rules by the metre, for foam-core extrusion lines. "
        "Monitoring and advisory only: it is no safety function and never writes to a device."
    ),
)
for command in (demo, run, check, probe, points, simulate, record, rehearse, export, load, act, reload, schema):
    app.command()(command)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"metrepost {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")] = False,
) -> None:
    """Options of every command."""


def main() -> None:
    """Run the command line. Foreseen errors end with a sentence and an exit code, never with a traceback."""
    try:
        app()
    except ConfigurationError as error:
        _say(str(error))
        sys.exit(exits.CONFIGURATION)
    except UrlError as error:
        _say(str(error))
        sys.exit(exits.CONFIGURATION)
    except JournalError as error:
        _say(str(error))
        sys.exit(exits.STATE)
    except CommandError as error:
        _say(str(error))
        sys.exit(error.code)
    except KeyboardInterrupt:
        sys.exit(exits.INTERRUPTED)
    except BrokenPipeError:
        # whoever read our output has seen enough
        sys.stderr.close()
        sys.exit(exits.OK)


def _say(text: str) -> None:
    typer.echo(f"metrepost: {text}", err=True)
