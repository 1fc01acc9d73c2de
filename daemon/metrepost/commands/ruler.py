"""The cable between die and reel, drawn in text: traces, flaws, metres and stations, all over the same columns.

The cable runs from left to right as it does on the floor, so that a flaw is seen travelling to the take-up.
"""

from rich.text import Text

from ..notify.text import clipped
from .board import Board, MarkKind, Trace
from .glyphs import Glyphs, title

LABEL = 11
"""Columns in front of the ruler."""

_LOUDEST: tuple[MarkKind, ...] = ("lump", "neck", "unwitnessed", "spark", "cut", "drop")
_MARK_STYLE = {
    "lump": "bold red",
    "neck": "bold red",
    "unwitnessed": "bold yellow",
    "spark": "bold magenta",
    "cut": "bold",
    "drop": "cyan",
}


def draw_cable(board: Board, width: int, glyphs: Glyphs) -> list[Text]:
    """The lines of the cable part; none while no facts are known or when it is too narrow to be of use."""
    facts = board.facts
    columns = width - LABEL
    if facts is None or columns < 20:
        return []
    window = max(board.window, board.take_up_distance() * 1.25)
    step = window / columns
    half = _half_range(board)
    # column c holds the cable that has come c*step to (c+1)*step from the die
    pieces = [(facts.metre_at_die - (c + 1) * step, facts.metre_at_die - c * step) for c in range(columns)]
    ends = f"die {facts.metre_at_die:.1f} to take-up {facts.metre_at_take_up:.1f}"
    heading = f"CABLE  {ends} and on the reel, column {step:.1f} m, ±{half * 1000:.0f} µm"
    lines = [title(clipped(heading, width), width, glyphs)]
    for trace in board.traces.values():
        lines.append(_trace(trace, pieces, half, glyphs))
    lines.append(_marks(board, pieces, glyphs))
    lines += _ruler(board, pieces, step, glyphs)
    lines.append(_legend(glyphs))
    return lines


def _half_range(board: Board) -> float:
    """Height of a trace above and below its middle, mm: half as much again as the product's tolerance."""
    tolerance = board.tolerance()
    return 1.5 * tolerance.tolerance if tolerance is not None and tolerance.tolerance else 0.075


def _label(text: str) -> Text:
    return Text(text[: LABEL - 1].ljust(LABEL))


def _trace(trace: Trace, pieces: list[tuple[float, float]], half: float, glyphs: Glyphs) -> Text:
    """The largest departure from the middle in each column: a short lump must not drown in a mean."""
    station = trace.tag.partition(".")[0].removesuffix("-gauge")
    line = _label(f"{station[:4]} {trace.last:.3f}" if trace.last is not None else f"{station[:4]} ?")
    centre = trace.centre()
    for start, end in pieces:
        column = trace.over(start, end)
        if column is None:
            line.append(" ")
        elif column.low is None or column.high is None or centre is None:
            line.append(glyphs.unseen, style="bold yellow")
        else:
            far = column.high if column.high - centre >= centre - column.low else column.low
            level = (far - centre) / half  # -1 to 1 is the height of the trace
            bar = glyphs.bars[max(0, min(len(glyphs.bars) - 1, int((level + 1) / 2 * len(glyphs.bars))))]
            line.append(bar, style="bold red" if abs(level) > 2 / 3 else "green")
    return line


def _marks(board: Board, pieces: list[tuple[float, float]], glyphs: Glyphs) -> Text:
    line = _label("flaws")
    for start, end in pieces:
        kinds = set(board.marks(start, end))
        loudest = next((kind for kind in _LOUDEST if kind in kinds), None)
        if loudest is not None:
            line.append(glyphs.marks[loudest], style=_MARK_STYLE[loudest])
        else:
            line.append(glyphs.scrap if board.scrap(start, end) else " ", style="dim")
    return line


def _ruler(board: Board, pieces: list[tuple[float, float]], step: float, glyphs: Glyphs) -> list[Text]:
    """Cable metres, then the stations below them where they stand."""
    columns = len(pieces)
    every = next(m for m in (5, 10, 20, 50, 100, 200, 500, 1000, 10_000) if m / step >= 10)
    on_reel = int(board.take_up_distance() / step)
    line = [glyphs.cable if c < on_reel else glyphs.reel for c in range(columns)]
    for c, (start, end) in enumerate(pieces):
        tick = int(end // every) * every
        if start < tick <= end and tick >= 0:
            text = f"{glyphs.tick}{tick:d}"
            if c + len(text) <= columns:
                line[c : c + len(text)] = text
    ruler = _label("metre")
    ruler.append("".join(line))
    return [ruler, *_stations(board, columns, step, glyphs)]


def _stations(board: Board, columns: int, step: float, glyphs: Glyphs) -> list[Text]:
    """Names under a pin at each position, on two lines; those that look at the cable come before the rest."""
    seeing = {trace.partition(".")[0] for trace in board.traces}
    places: list[tuple[int, float, str]] = [(0, 0.0, "die"), (0, board.take_up_distance(), "take-up")]
    for station in board.plan.stations.values():
        if 0 < station.position < board.take_up:
            name = station.name.partition("-")[0]
            # where there is no room for all, short names give more of them
            places.append((1 if station.name in seeing else len(name) + 1, station.position, name))
    rows = [[" "] * columns, [" "] * columns]
    for _, position, name in sorted(places):
        column, text = int(position / step), f"{glyphs.pin}{name}"
        if column + len(text) > columns:
            text = text[: columns - column]
        for row in rows:
            # one blank on either side, so that two names never read as one
            if all(c == " " for c in row[max(0, column - 1) : column + len(text) + 1]):
                row[column : column + len(text)] = text
                break
    lines = []
    for row in rows:
        line = _label("")
        line.append("".join(row).rstrip(), style="dim")
        lines.append(line)
    return lines


def _legend(glyphs: Glyphs) -> Text:
    text = " ".join(f"{glyphs.marks[kind]} {kind}" for kind in _LOUDEST)
    return Text(f"{'':<{LABEL}}{text} {glyphs.scrap} scrap {glyphs.unseen} blind", style="dim")
