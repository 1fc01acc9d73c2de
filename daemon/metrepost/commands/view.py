"""The live view in a terminal: what is wrong now, what was held back and why, and the cable between die and reel.

It is drawn for somebody who looks up from the line: words before colours (it must read in monochrome), the worst first, and for
each alarm what, where, since when, how long until it is on the reel, what to do. The cable runs from left to right as it does on
the floor, so that a flaw is seen travelling to the take-up.

Where there is no terminal to draw on (a pipe, a dumb terminal) the view writes one plain line per event instead.
"""

from collections.abc import Callable
from datetime import tzinfo
from types import TracebackType

from rich.console import Console
from rich.live import Live
from rich.text import Text

from ..events import DropEvent, Event
from ..notify.text import clock_time, number
from .board import Board, LineFacts, ShownAlarm
from .glyphs import PLAIN, RICH, Glyphs, in_encoding, title
from .plain_lines import plain_line
from .ruler import draw_cable

HEIGHT, WIDTH = 24, 80
INDENT = 11
"""Where the names of alarms begin."""

_STYLE = {"critical": "bold white on red", "high": "bold red", "medium": "bold yellow", "low": "bold cyan"}


def render(
    board: Board, width: int = WIDTH, height: int = HEIGHT, *, glyphs: Glyphs = RICH, zone: tzinfo | None = None
) -> list[Text]:
    """The whole screen as at most `height` lines of at most `width` columns. `zone` is that of the clock times."""
    width, height = max(width, 40), max(height, 10)
    head = _head(board, width, zone)
    cable = draw_cable(board, width, glyphs) if height >= 16 else []
    room = height - len(head) - len(cable)
    # what was held back never takes room from what is wrong
    wrong_lines = _wrong(board, width, max(room - 3, 2), glyphs, zone)
    held_lines = _held(board, width, max(room - len(wrong_lines), 0), glyphs, zone)
    lines = head + wrong_lines + held_lines
    lines += [Text()] * (height - len(lines) - len(cable))
    lines += cable
    for line in lines:
        line.truncate(width, overflow="ellipsis" if glyphs is RICH else "crop")
    return lines[:height]


# ---- head ---------------------------------------------------------------------------------------------------------------


def _head(board: Board, width: int, zone: tzinfo | None) -> list[Text]:
    facts = board.facts
    name = f"{board.plan.plant} {board.plan.name}"
    if facts is None:
        return [Text(f" {name}  waiting for the first readings".ljust(width), style="reverse bold"), Text()]
    left = f" {name}  {facts.state.upper()}  {facts.speed * 60:.1f} m/min  {facts.product}"
    right = f"{clock_time(facts.time, zone)} "
    first = Text(left + right.rjust(width - len(left)) if len(left) + len(right) < width else left, style="reverse bold")
    second = Text(f" {_reel(board, facts)}  ", style="bold")
    down = board.down()
    up = len(facts.endpoints) - len(down)
    if up:
        second.append(f"{up} endpoint{'s' * (up != 1)} up  ", style="green")
    for endpoint in down:
        second.append(f"{endpoint} DOWN", style="bold red reverse")
        second.append("  ")
    if facts.broker != "none":
        fine = facts.broker == "connected"
        second.append(f"broker {facts.broker if fine else facts.broker.upper()}", style="green" if fine else "bold red reverse")
        if facts.waiting:
            second.append(f", {facts.waiting} waiting")
    recent = _recent(board)
    if recent and second.cell_len + len(recent) + 2 < width:
        second.append(recent.rjust(width - second.cell_len - 1))
    return [first, second]


def _reel(board: Board, facts: LineFacts) -> str:
    """``reel 17: 26 m, 1 spark``: what lies on the reel in make."""
    reel = f"reel {facts.reel or '?'}"
    if board.reel is None:
        return reel
    length = max(0.0, facts.metre_at_take_up - board.reel.start)
    counted = [("flaw", len(board.reel.flaws)), ("spark", len(board.reel.sparks)), ("drop", len(board.reel.drops))]
    return ", ".join([f"{reel}: {length:.0f} m", *(f"{n} {what}{'s' * (n != 1)}" for what, n in counted if n)])


def _recent(board: Board) -> str:
    """Statistics of the last trace's newest bucket of cable, when there is room for them."""
    last = next(reversed(board.traces), "")
    rollup = board.latest.get(last)
    if rollup is None or rollup.mean is None:
        return ""
    ppk = f", Ppk {rollup.ppk:.2f}" if rollup.ppk is not None else ""
    return f"{rollup.station} last {rollup.span}: {number(rollup.mean, rollup.unit)}{ppk}"


# ---- what is wrong ------------------------------------------------------------------------------------------------------


def _wrong(board: Board, width: int, room: int, glyphs: Glyphs, zone: tzinfo | None) -> list[Text]:
    """As many lines an alarm as there is room for: three, two, or one in a wide terminal."""
    alarms = board.wrong()
    active = sum(alarm.state.active for alarm in alarms)
    new = sum(not alarm.acknowledged for alarm in alarms)
    heading = "WRONG NOW" + (f"  {active} active, {new} not acknowledged" if alarms else "")
    lines = [title(heading, width, glyphs)]
    if not alarms:
        return [*lines, _nothing(board)]
    room -= 1
    each = 3 if 3 * len(alarms) <= room else 1 if width >= 150 else 2
    fits = len(alarms)
    if each * fits > room:
        fits = max(1, (room - 1) // each)
    for alarm in alarms[:fits]:
        lines += _alarm(alarm, each, zone)
    if len(alarms) > fits:
        lines.append(Text(f"{'':<{INDENT}}and {len(alarms) - fits} more", style="bold"))
    return lines


def _nothing(board: Board) -> Text:
    """Quiet is told apart from blind: with an endpoint down nobody may read that all is well."""
    if board.facts is None:
        return Text("   Nothing known yet", style="bold")
    down = board.down()
    if down:
        return Text(f"   No alarm, but {', '.join(down)} is down: flaws may pass unseen", style="bold yellow")
    return Text("   Nothing", style="bold green")


def _alarm(alarm: ShownAlarm, lines: int, zone: tzinfo | None) -> list[Text]:
    """What; where, since when and when it is on the reel; what to do."""
    state = alarm.state
    what = Text(" ")
    what.append(f"{state.priority.upper():<8}", style="bold" if alarm.acknowledged else _STYLE[state.priority])
    what.append(f"  {state.alarm}", style="bold" if state.active else "")
    if state.value is not None:
        what.append(f"  {number(state.value, state.unit)}")
        if state.bound is not None:
            what.append(f", limit {number(state.bound, state.unit)}")
    metre = f"metre {state.metre:.1f}" if state.metre is not None else ""
    since = f"{'since' if state.active else 'over since'} {clock_time(state.since, zone)}" if state.since else ""
    taken = (f"taken by {state.acknowledged_by}" if state.acknowledged_by else "acknowledged") if alarm.acknowledged else ""
    left = _left(alarm)
    do = f"do: {state.response}" if state.response else state.explanation
    if lines == 1:
        return [_joined(what, metre, left, since, taken, do)]
    indent = Text(" " * INDENT)
    if lines == 2:
        what = _joined(what, metre)
        return [what, _joined(indent, left, taken or since, do)]
    return [what, _joined(indent.copy(), metre, left, since, taken), _joined(indent, do)]


def _joined(start: Text, *parts: str) -> Text:
    """`start` and the parts that are not empty, two blanks apart."""
    for part in parts:
        if part:
            gap = "" if not start.plain.strip() else "  "
            start.append(gap + part, style="bold" if part.startswith(("on the reel in", "do: ")) else "")
    return start


def _left(alarm: ShownAlarm) -> str:
    """``on the reel in 0:11 (22 m)``, or how deep it lies on the reel."""
    if alarm.distance is None:
        return ""
    if alarm.distance <= 0:
        return f"on the reel, {-alarm.distance:.0f} m in"
    if alarm.seconds is None:
        return f"{alarm.distance:.0f} m before the reel"
    minutes, seconds = divmod(int(alarm.seconds), 60)
    return f"on the reel in {minutes}:{seconds:02d} ({alarm.distance:.0f} m)"


# ---- what was held back -------------------------------------------------------------------------------------------------


def _held(board: Board, width: int, room: int, glyphs: Glyphs, zone: tzinfo | None) -> list[Text]:
    """Newest first: held alarms, then drops with what the witness saw."""
    if room < 2:
        return []
    heading = f"HELD BACK  {board.drops_seen} taken for water, by metre"
    if board.reclassified:
        heading += f", {board.reclassified} of them taken back"
    lines = [title(heading, width, glyphs)]
    for state in board.held():
        why = {"shelved": "shelved", "out_of_service": "out of service"}.get(state.state, "suppressed")
        until = f" until {clock_time(state.shelved_until, zone)}" if state.shelved_until else ""
        lines.append(Text(f" {state.alarm} {why}{until}  {state.explanation}", style="cyan"))
    for drop in reversed(board.drops):
        if len(lines) >= room:
            break
        lines.append(Text(f" {_drop(drop)}"))
    if len(lines) == 1:
        lines.append(Text("   Nothing", style="dim"))
    return lines[:room]


def _drop(drop: DropEvent) -> str:
    where = f"{drop.metre:.1f}" if drop.metre is not None else "somewhere"
    return f"{where}  {drop.height * 1000:+.0f} µm  {drop.explanation}" if drop.unit == "mm" else f"{where}  {drop.explanation}"


# ---- the shell ----------------------------------------------------------------------------------------------------------


def can_draw(console: Console) -> bool:
    """Whether there is a terminal that can be drawn on."""
    return console.is_terminal and not console.is_dumb_terminal


class View:
    """Shows a board while something runs::

        with View(board) as view:
            view.note(item)      # everything the daemon puts out, in order
            view.see(facts)      # a few times a second: draws

    Log lines on stderr would tear the picture: send them to a file while a view is open.
    """

    def __init__(
        self,
        board: Board,
        console: Console | None = None,
        *,
        zone: tzinfo | None = None,
        write: Callable[[str], None] | None = None,
    ) -> None:
        self._board = board
        self._console = console or Console()
        self._zone = zone
        self._live: Live | None = None
        self._write = write or self._print
        self._glyphs = PLAIN if not self._console.encoding.lower().startswith("utf") else RICH

    def __enter__(self) -> "View":
        if can_draw(self._console):
            self._live = Live(console=self._console, screen=True, auto_refresh=False, transient=True)
            self._live.start()
            self._draw()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None

    def note(self, item: object) -> None:
        """Take the next thing the core put out; in plain mode an event is written at once."""
        self._board.note(item)
        if self._live is None and isinstance(item, Event):
            self._write(in_encoding(plain_line(item, self._zone), self._console.encoding))

    def see(self, facts: LineFacts) -> None:
        """Take the facts of the line and draw."""
        self._board.see(facts)
        if self._live is not None:
            self._draw()

    def _print(self, line: str) -> None:
        self._console.print(line, markup=False, highlight=False, soft_wrap=True)

    def _draw(self) -> None:
        if self._live is None:
            return
        width, height = self._console.size
        lines = render(self._board, width, height, glyphs=self._glyphs, zone=self._zone)
        for line in lines:
            line.plain = in_encoding(line.plain, self._console.encoding)
        self._live.update(Text("\n").join(lines), refresh=True)
