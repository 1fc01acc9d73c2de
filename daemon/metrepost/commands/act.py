"""`metrepost act`: acknowledge, shelve, note, … on a running daemon, through its local door."""

from typing import Annotated

import msgspec
import typer

from ..doors.client import DoorError, say
from ..doors.plan import PEOPLES_ACTS
from ..doors.request import Answer
from . import exits
from .arguments import Json, LineFile, StateFolder, loaded, seconds, state_folder
from .trouble import CommandError, UnreachableError

_VERBS = {act.replace("_", "-"): act for act in PEOPLES_ACTS}
WAIT = 15.0
"""Seconds for the answer: more than the daemon takes to say that it does not know."""

_EXITS = {
    "done": exits.OK,
    "nothing_changed": exits.FAILED,
    "refused": exits.FAILED,
    "not_allowed": exits.FAILED,
    "too_often": exits.FAILED,
    "unknown": exits.FAILED,
    "faulty": exits.USAGE,
}


def act(
    line: LineFile,
    verb: Annotated[str, typer.Argument(metavar="ACT", help=f"One of {', '.join(_VERBS)}.")],
    alarm: Annotated[str | None, typer.Argument(metavar="[ALARM]", help="The alarm, RULE.LIMIT.")] = None,
    reason: Annotated[str | None, typer.Option("--reason", help="Why: it stands in the journal.")] = None,
    for_: Annotated[
        str | None, typer.Option("--for", metavar="TIME", help="How long to shelve, such as 30min. [default: until it returns]")
    ] = None,
    text: Annotated[
        str | None, typer.Option("--text", help="Of a note; what was measured on a sample; where a drop was seen.")
    ] = None,
    metre: Annotated[float | None, typer.Option("--metre", help="Cable metre.")] = None,
    start: Annotated[float | None, typer.Option("--from", metavar="METRE", help="Of scrap.")] = None,
    end: Annotated[float | None, typer.Option("--to", metavar="METRE", help="Of scrap.")] = None,
    value: Annotated[float | None, typer.Option("--value", help="Of a sample.")] = None,
    unit: Annotated[str | None, typer.Option("--unit", help="Of a sample's value.")] = None,
    reel: Annotated[str | None, typer.Option("--reel", help="Of a sample. [default: that of the metre]")] = None,
    state: StateFolder = None,
    json: Json = False,
) -> None:
    """Do something about an alarm or the cable on a running daemon. It never touches a device.

    The line file must open a door ([doors.local]) and let this account in; the journal says who did it. Answers when it is
    committed. Exit code 1 when it was not done (or nothing changed), 2 when it was asked wrongly, 5 when nobody answers.
    """
    if verb not in _VERBS:
        raise typer.BadParameter(f"{verb!r} is no act; acts are {', '.join(_VERBS)}", param_hint="ACT")
    plan = loaded(line)
    if plan.doors.local is None:
        raise CommandError(
            f"the line file of {plan.plan.name} opens no door; [doors.local] in it does, see config/README.md",
            exits.CONFIGURATION,
        )
    given = {
        "alarm": alarm, "reason": reason, "for": seconds(for_), "text": text, "metre": metre,
        "from": start, "to": end, "value": value, "unit": unit, "reel": reel,
    }  # fmt: skip
    request = {"act": _VERBS[verb], **{key: said for key, said in given.items() if said is not None}}
    try:
        answer = say(state_folder(state) / plan.doors.local.socket, request, WAIT)
    except DoorError as error:
        if error.taken:
            raise CommandError(str(error), exits.FAILED) from error
        raise UnreachableError(str(error)) from error
    _tell(answer, json=json)
    if _EXITS.get(answer.outcome, exits.FAILED) != exits.OK:
        raise typer.Exit(_EXITS.get(answer.outcome, exits.FAILED))


def _tell(answer: Answer, *, json: bool) -> None:
    if json:
        typer.echo(msgspec.json.encode(answer).decode())
    elif answer.outcome == "done":
        numbers = ", ".join(str(n) for n in answer.sequences)
        typer.echo(f"done by {answer.who}; event {numbers} of epoch {answer.epoch}")
    else:
        typer.echo(f"metrepost: {answer.outcome.replace('_', ' ')}: {answer.why}", err=True)
        for fault in answer.faults:
            typer.echo(f"  {fault}", err=True)
