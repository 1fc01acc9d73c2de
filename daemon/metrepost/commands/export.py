"""`metrepost export`: rows of a stream in order, for a consumer that found a hole."""

import sys
from enum import StrEnum
from typing import Annotated

import typer

from ..journal import Reader
from .arguments import LineFile, StateFolder, line_name, state_folder


class StreamName(StrEnum):
    """The two streams."""

    EVENT = "event"
    ROLLUP = "rollup"


def export(
    line: LineFile,
    stream: Annotated[StreamName, typer.Option("--stream", help="event or rollup.")] = StreamName.EVENT,
    after: Annotated[str | None, typer.Option("--after", metavar="EPOCH:N", help="Only rows after this one.")] = None,
    limit: Annotated[int | None, typer.Option("--limit", min=1, help="At most so many rows.")] = None,
    state: StateFolder = None,
) -> None:
    """Write the rows of a stream to standard output, one CloudEvent a line, byte for byte as published.

    Reads beside a running daemon. Exit code 4 when there is no journal, or the epoch is another's.
    """
    with Reader(state_folder(state), line_name(line)) as reader:
        out = sys.stdout.buffer
        for row in reader.export("event" if stream is StreamName.EVENT else "rollup", after, limit):
            out.write(row.payload + b"\n")
        out.flush()
