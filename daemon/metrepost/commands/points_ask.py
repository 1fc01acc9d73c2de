"""The point sheet asked tag by tag: what is applied, what is read at the moment of Enter, kept at once.

An event loop runs only while something is read: at a question Ctrl-C must end the command, and a loop would hold it back.
"""

import asyncio
import contextlib
import sys
from collections.abc import Sequence
from pathlib import Path

import msgspec
import typer

from ..configuration.plan import LoadedLine
from ..endpoints.contract import Clock, Probed
from ..points import store
from ..points.judge import trial
from ..points.model import Point, Record, Trial, Waiver
from ..points.sheet import SETTLED, Row
from ..points.words import described, notes, number, signed_number
from ..readings.moment import rfc3339
from ..readings.units import Quantity, UnitError
from .points_read import NotReadError, read_point, shown

_REFRESH = 2.0
"""Seconds between two live values: each is a connection of its own, and a PLC has better things to do."""


class _QuitError(Exception):
    """The technician goes on later."""


class Desk:
    """Asks, reads, keeps. Every answer is on the disk before the next question."""

    def __init__(self, line: LoadedLine, folder: Path, by: str, clock: Clock, *, accept_uncertain: bool) -> None:
        self._line = line
        self._folder = folder
        self._by = by
        self._clock = clock
        self._accept_uncertain = accept_uncertain

    def work(self, rows: Sequence[Row], *, all_of_them: bool) -> None:
        """Ask for each point that is not settled, or `all_of_them`. Ends early at q or at the end of the input."""
        todo = [row for row in rows if row.state != "derived" and (all_of_them or row.state not in SETTLED)]
        try:
            for index, row in enumerate(todo, 1):
                typer.echo(f"\n[{index}/{len(todo)}] {row.point.tag}  {described(row.point)}")
                for note in notes(row):
                    typer.echo(f"    {note}")
                self._one(row)
        except _QuitError:
            typer.echo("\nended; what was kept stays, and the next call goes on with the rest")

    def _one(self, row: Row) -> None:
        point, last = row.point, row.last
        offered = last.allowed if isinstance(last, Trial) and last.point.unit == point.unit else None
        while True:
            answer = _ask(f"  reference applied{_in(point)} (Enter skips, w waives, q ends): ")
            if not answer:
                return
            if answer == "w":
                reason = _ask("  why is it waived? (Enter takes it back): ")
                if reason:
                    self._keep(Waiver(point=point, at=rfc3339(self._clock.line_time()), by=self._by, remark=reason))
                    typer.echo("  waived")
                    return
                continue
            reference = _number(answer, point, difference=False)
            if reference is None:
                continue
            offered = _allowed(point, offered)
            if self._read(point, reference, offered):
                return

    def _read(self, point: Point, reference: float, allowed: float) -> bool:
        """Show the live value, read at Enter, judge, keep. False when another reference is to be applied."""
        if self._wait_for_enter(point) == "s":
            return True
        try:
            probed = asyncio.run(self._now(point))
        except NotReadError as error:
            typer.echo(f"  {error}")
            return False
        at = rfc3339(self._clock.line_time())
        typer.echo(f"  read {shown(probed, point)}")
        result = trial(
            point,
            reference=reference,
            allowed=allowed,
            value=probed.value,
            raw=probed.raw,
            quality=probed.quality,
            reason=probed.reason,
            by=self._by,
            at=at,
            accept_uncertain=self._accept_uncertain,
        )
        why = f": {result.reason}" if result.reason else f", difference {signed_number(result.difference)}"
        typer.echo(f"  {result.verdict}{why}")
        # the remark is asked before keeping: records are never changed. An end of the input keeps what was read all the same.
        try:
            remark = _ask("  remark (Enter for none): ")
        except (_QuitError, KeyboardInterrupt):
            self._keep(result)
            raise
        self._keep(msgspec.structs.replace(result, remark=remark))
        return result.verdict == "pass" or _ask("  Enter goes on, a applies again: ") != "a"

    def _wait_for_enter(self, point: Point) -> str:
        """What was typed while the live value was shown: refreshed on a terminal, once otherwise."""
        prompt = "Enter reads, s skips, q ends: "
        if point.clears_on_read:
            return _ask(f"  reading clears it, so no live value is shown. {prompt}")
        if sys.stdin.isatty():
            asyncio.run(self._live(point, prompt))
            return _ask("")
        return _ask(f"  live {shown(asyncio.run(self._now(point)), point)}. {prompt}")

    async def _live(self, point: Point, prompt: str) -> None:
        """Show the value anew until a line was typed; the line stays to be read."""
        loop, typed = asyncio.get_running_loop(), asyncio.Event()
        loop.add_reader(sys.stdin.fileno(), typed.set)
        try:
            while not typed.is_set():
                typer.echo(f"\r\x1b[K  live {shown(await self._now(point), point)}. {prompt}", nl=False)
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(_REFRESH):
                        await typed.wait()
        finally:
            loop.remove_reader(sys.stdin.fileno())

    async def _now(self, point: Point) -> Probed:
        return await read_point(self._line, point, self._folder, self._clock)

    def _keep(self, record: Record) -> None:
        store.add(self._folder, self._line.plan.name, [record])


def _ask(prompt: str) -> str:
    """One line. Raises _QuitError at q and at the end of the input."""
    typer.echo(prompt, nl=False)
    line = sys.stdin.readline()
    if not line or line.strip() == "q":
        raise _QuitError
    return line.strip()


def _allowed(point: Point, last: float | None) -> float:
    """The largest difference that passes, in the tag's unit; `last` at Enter, when there is one."""
    offered = "" if last is None else f" [{number(last)}]"
    while True:
        answer = _ask(f"  allowed difference{_in(point)}{offered}: ")
        allowed = _number(answer, point, difference=True) if answer or last is None else last
        if allowed is not None and allowed >= 0:
            return allowed
        if allowed is not None:
            typer.echo("  the allowed difference is 0 or more")


def _in(point: Point) -> str:
    return f" in {point.unit}" if point.unit not in ("", "1") else ""


def _number(text: str, point: Point, *, difference: bool) -> float | None:
    """What was typed, in the tag's unit; a plain number is in it already. None, with a sentence said, when it is no such thing."""
    try:
        quantity = Quantity.parse(text)
        if not quantity.unit:
            return quantity.magnitude
        return quantity.difference_to(point.unit) if difference else quantity.to(point.unit)
    except UnitError as error:
        typer.echo(f"  {error}")
        return None
