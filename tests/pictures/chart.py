"""Small SVG charts: panels over one x axis, callouts above them, lanes beneath them. Nothing in here knows of rules.

The same input gives the same bytes. Shapes, dashes and hatches carry the meaning, colours only repeat it. A picture has a ground of
its own, light or dark as the reader's system wants it, so it can be read on any page.
"""

import math
from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape

WIDTH, LEFT, RIGHT = 780, 80, 150
SIZE = {"title": 15, "note": 12, "text": 11}
WIDE = {"title": 0.66, "note": 0.60, "text": 0.60}
"""Width of a letter in ems, of a wide sans-serif: a narrower one leaves more room."""

LIGHT = {
    "ground": "#ffffff", "edge": "#c9ced6", "ink": "#1b2430", "soft": "#566070", "grid": "#e3e7ec", "trace": "#0b5f9e",
    "other": "#5b3f8c", "raw": "#9fb6c9", "limit": "#b23c00", "target": "#566070", "alarm": "#d55e00", "pass": "#7c8797",
}  # fmt: skip
DARK = {
    "ground": "#10161e", "edge": "#3a4654", "ink": "#e9eef4", "soft": "#aab6c4", "grid": "#25303c", "trace": "#6cbcf5",
    "other": "#c3a5f5", "raw": "#4c6a85", "limit": "#ff9d66", "target": "#aab6c4", "alarm": "#f0883e", "pass": "#8a97a8",
}  # fmt: skip


def _style(c: dict[str, str]) -> str:
    return (
        f".g{{fill:{c['ground']};stroke:{c['edge']}}}.t,.n,.x{{fill:{c['ink']}}}.n,.s{{fill:{c['soft']}}}"
        f".h{{paint-order:stroke;stroke:{c['ground']};stroke-width:3px;stroke-linejoin:round}}"
        f".grid{{stroke:{c['grid']}}}.axis{{stroke:{c['soft']}}}.trace{{stroke:{c['trace']}}}.other{{stroke:{c['other']}}}"
        f".raw{{stroke:{c['raw']}}}.limit{{stroke:{c['limit']}}}.target{{stroke:{c['target']}}}.lead{{stroke:{c['soft']}}}"
        f".dim{{stroke:{c['ink']}}}.af{{fill:{c['alarm']}}}.as{{stroke:{c['alarm']}}}.ps{{stroke:{c['pass']}}}.pf{{fill:{c['pass']}}}"
        f".gl{{fill:{c['ground']};stroke:{c['ink']}}}.gf{{fill:{c['ink']};stroke:{c['ink']}}}.dot{{fill:{c['trace']}}}"
        f".lf{{fill:{c['limit']}}}"
    )


STYLE = (
    "text{font-family:sans-serif;stroke:none}.t{font-size:15px;font-weight:700}.n{font-size:12px}.x,.s{font-size:11px}"
    ".b{font-weight:700}.l{fill:none}" + _style(LIGHT) + "@media(prefers-color-scheme:dark){" + _style(DARK) + "}"
)

DASH = {"limit": "7 4", "target": "8 3 2 3", "grid": "", "lead": "2 3"}


def width(text: str, kind: str = "text") -> float:
    """Pixels a text takes at most."""
    return len(text) * SIZE[kind] * WIDE[kind]


def ticks(low: float, high: float, most: int = 7) -> list[float]:
    """Round values within a range."""
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(step * m for m in (1, 2, 2.5, 5, 10, 20) if (high - low) / (step * m) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(i * step, 10) for i in range(first, math.floor(high / step + 1e-9) + 1)]


def n(value: float) -> str:
    """A coordinate: a tenth of a pixel is enough."""
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


class Axis:
    """An x axis: from `low` to `high`, labelled with quantity and unit."""

    def __init__(self, low: float, high: float, label: str, at: Sequence[float] | None = None, names: Sequence[str] = (),
                 *, log: bool = False, right: float = RIGHT) -> None:  # fmt: skip
        self.low, self.high, self.label, self.log = low, high, label, log
        self.end = WIDTH - right
        self.at = list(at) if at is not None else ticks(low, high, 10)
        self.names = list(names) or [f"{v:g}" for v in self.at]

    def __call__(self, x: float) -> float:
        """Pixels from the left."""
        a, b, v = (math.log(self.low), math.log(self.high), math.log(x)) if self.log else (self.low, self.high, x)
        return LEFT + (v - a) / (b - a) * (self.end - LEFT)

    def clip(self, x: float) -> float:
        """The nearest place on the axis."""
        return min(max(x, self.low), self.high)


class Panel:
    """A plot. Everything is given in the units of its axes."""

    def __init__(self, axis: Axis, label: str, low: float, high: float, height: float = 130, at: Sequence[float] | None = None,
                 names: Sequence[str] = ()) -> None:  # fmt: skip
        self.axis, self.label, self.low, self.high, self.height = axis, label, low, high, height
        self.at = list(at) if at is not None else ticks(low, high, 5)
        self.names = list(names) or _decimals(self.at)
        self.back: list[str] = []
        self.front: list[str] = []
        self.margin: list[tuple[float, str, str]] = []
        self.callouts: list[tuple[float, str, str]] = []
        self.spans: list[tuple[float, float]] = []

    def y(self, value: float) -> float:
        """Pixels from the panel's top."""
        share = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return (1 - share) * self.height

    def trace(self, points: Iterable[tuple[float, float]], cls: str = "trace", label: str = "", *, step: bool = False,
              thick: float = 1.6, dash: str = "") -> None:  # fmt: skip
        """A line through points; NaN breaks it. A `label` stands in the right margin at its end."""
        path, pen, last = "", "M", 0.0
        for x, value in points:
            if value != value:
                pen = "M"
                continue
            if step and pen == "L":
                path += f"H{n(self.axis(x))}V{n(self.y(value))}"
            else:
                path += f"{pen}{n(self.axis(x))} {n(self.y(value))}"
            pen, last = "L", value
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        self.front.append(f'<path class="l {cls}" stroke-width="{thick:g}" d="{path}"{extra}/>')
        if label:
            self.margin.append((self.y(last), label, "x"))

    def dots(self, points: Iterable[tuple[float, float]], r: float = 2.4) -> None:
        """A dot for each reading."""
        for x, value in points:
            self.front.append(f'<circle class="dot" r="{r:g}" cx="{n(self.axis(x))}" cy="{n(self.y(value))}"/>')

    def crosses(self, points: Iterable[tuple[float, float]], r: float = 3.2) -> None:
        """A cross for each reading of bad quality."""
        path = "".join(
            f"M{n(self.axis(x) - r)} {n(self.y(v) - r)}l{n(2 * r)} {n(2 * r)}m0 {n(-2 * r)}l{n(-2 * r)} {n(2 * r)}"
            for x, v in points
        )
        self.front.append(f'<path class="l limit" stroke-width="1.6" d="{path}"/>')

    def limit(self, value: float, label: str, cls: str = "limit", x0: float | None = None, x1: float | None = None) -> None:
        """A dashed limit (or a dash-dotted target) with its label in the margin."""
        a, b = self.axis(self.axis.low if x0 is None else x0), self.axis(self.axis.high if x1 is None else x1)
        y = n(self.y(value))
        self.front.append(f'<path class="l {cls}" stroke-width="1.4" stroke-dasharray="{DASH[cls]}" d="M{n(a)} {y}H{n(b)}"/>')
        if label:
            self.margin.append((self.y(value), label, "x"))

    def band(self, low: float, high: float, label: str = "", x0: float | None = None, x1: float | None = None) -> None:
        """A dotted band between two values, such as a deadband."""
        a, b = self.axis(self.axis.low if x0 is None else x0), self.axis(self.axis.high if x1 is None else x1)
        top, bottom = self.y(high), self.y(low)
        self.back.append(f'<rect fill="url(#dots)" x="{n(a)}" y="{n(top)}" width="{n(b - a)}" height="{n(bottom - top)}"/>')
        if label:
            self.margin.append(((top + bottom) / 2, label, "s"))

    def alarm(self, x0: float, x1: float) -> None:
        """The stretch on which an alarm stands."""
        self.spans.append((x0, x1))
        self._hatch(x0, x1, "alarm")

    def passed(self, x0: float, x1: float, text: str = "") -> None:
        """A stretch that is not judged."""
        self._hatch(x0, x1, "pass")
        if text:
            middle = (self.axis(self.axis.clip(x0)) + self.axis(self.axis.clip(x1))) / 2
            self.front.append(
                f'<text class="s h" text-anchor="middle" x="{n(middle)}" y="{n(self.height - 6)}">{escape(text)}</text>'
            )

    def _hatch(self, x0: float, x1: float, pattern: str) -> None:
        a, b = self.axis(self.axis.clip(x0)), self.axis(self.axis.clip(x1))
        b = max(b, a + 2.5)
        self.back.append(f'<rect fill="url(#{pattern})" x="{n(a)}" y="0" width="{n(b - a)}" height="{n(self.height)}"/>')

    def call(self, x: float, glyph: str, text: str) -> None:
        """A callout above the panel with a line down to the lanes; see `GLYPHS`."""
        self.callouts.append((x, glyph, text))

    def mark(self, x: float, value: float, glyph: str) -> None:
        """A glyph on the trace."""
        self.front.append(_glyph(glyph, self.axis(x), self.y(value)))

    def text(self, x: float, value: float, text: str, anchor: str = "middle", dy: float = 0.0) -> None:
        """Words within the plot."""
        self.front.append(
            f'<text class="x h" text-anchor="{anchor}" x="{n(self.axis(x))}" y="{n(self.y(value) + dy)}">{escape(text)}</text>'
        )

    def span(self, x0: float, x1: float, value: float, text: str) -> None:
        """A dimension arrow within the plot."""
        self.front.append(_dimension(self.axis(x0), self.axis(x1), self.y(value), text))


class Lane:
    """A strip beneath a panel: boxes on a line, dimension arrows, words."""

    def __init__(self, axis: Axis, label: str) -> None:
        self.axis, self.label, self.height = axis, label, 22.0
        self.parts: list[str] = []

    def box(self, x0: float, x1: float, text: str = "", kind: str = "alarm") -> None:
        """A hatched box, filled by what it stands for; words within it, or after it when there is no room."""
        a, b = self.axis(self.axis.clip(x0)), self.axis(self.axis.clip(x1))
        b = max(b, a + 3)
        cls = {"alarm": "as", "pass": "ps", "plain": "axis"}[kind]
        fill = "none" if kind == "plain" else f"url(#{kind})"
        self.parts.append(
            f'<rect class="{cls}" fill="{fill}" stroke-width="1.5" x="{n(a)}" y="3" width="{n(b - a)}" height="16"/>'
        )
        if text and width(text) + 8 <= b - a:
            self.parts.append(f'<text class="x b h" text-anchor="middle" x="{n((a + b) / 2)}" y="15">{escape(text)}</text>')
        elif text:
            self.parts.append(f'<text class="x b h" x="{n(b + 6)}" y="15">{escape(text)}</text>')

    def dimension(self, x0: float, x1: float, text: str) -> None:
        """An arrow from one place to another with its words."""
        self.parts.append(_dimension(self.axis(self.axis.clip(x0)), self.axis(self.axis.clip(x1)), 11, text))

    def words(self, x: float, text: str, anchor: str = "start") -> None:
        """Words in the lane."""
        self.parts.append(f'<text class="s h" text-anchor="{anchor}" x="{n(self.axis(x))}" y="15">{escape(text)}</text>')


def _dimension(a: float, b: float, y: float, text: str) -> str:
    half = width(text) / 2 + 2
    within = bool(text) and 2 * half + 18 <= b - a
    shaft = (
        f"M{n(a)} {n(y)}H{n((a + b) / 2 - half)}M{n((a + b) / 2 + half)} {n(y)}H{n(b)}" if within else f"M{n(a)} {n(y)}H{n(b)}"
    )
    arrow = f"M{n(a)} {n(y - 4)}v8M{n(b)} {n(y - 4)}v8{shaft}"
    if b - a > 14:
        arrow += f"M{n(a + 5)} {n(y - 3)}L{n(a)} {n(y)}L{n(a + 5)} {n(y + 3)}M{n(b - 5)} {n(y - 3)}L{n(b)} {n(y)}L{n(b - 5)} {n(y + 3)}"
    if not text:
        return f'<path class="l dim" d="{arrow}"/>'
    where = (f'text-anchor="middle" x="{n((a + b) / 2)}"') if within else f'x="{n(b + 6)}"'
    return f'<path class="l dim" d="{arrow}"/><text class="x h" {where} y="{n(y + 4)}">{escape(text)}</text>'


GLYPHS = {
    "onset": "onset",
    "decided": "alarm decided",
    "clear": "back inside",
    "returned": "alarm returned",
    "quiet": "no alarm",
    "foretold": "foretold",
    "change": "a change",
}
"""What can be marked: a ring where it began, a full triangle where the alarm was decided, a diamond where the value came back, an empty
triangle where the alarm returned, a bar where nothing is said, a square where something is foretold, a step where something was changed."""


def _glyph(glyph: str, x: float, y: float) -> str:
    if glyph == "onset":
        return f'<circle class="gl" stroke-width="1.6" r="4" cx="{n(x)}" cy="{n(y)}"/>'
    shape = {
        "decided": f"M{n(x - 5)} {n(y - 4)}h10l-5 9z",
        "returned": f"M{n(x - 5)} {n(y + 4)}h10l-5 -9z",
        "clear": f"M{n(x)} {n(y - 5)}l5 5l-5 5l-5 -5z",
        "quiet": f"M{n(x - 5)} {n(y - 1.5)}h10v3h-10z",
        "change": f"M{n(x - 5)} {n(y + 3)}h4v-6h5",
        "foretold": f"M{n(x - 4)} {n(y - 4)}h8v8h-8z",
    }[glyph]
    return f'<path class="{"gf" if glyph == "decided" else "gl"}" stroke-width="1.4" d="{shape}"/>'


class Picture:
    """A title, a line of settings, panels and lanes from top to bottom, a legend of the signs it uses."""

    def __init__(self, name: str, title: str, settings: Sequence[str], alt: str) -> None:
        self.name, self.title, self.settings, self.alt = name, title, list(settings), alt
        self.rows: list[Panel | Lane] = []
        self.words = {"alarm": "alarm stands", "pass": "not judged", "dots": "deadband"}

    def panel(self, *args: object, **keys: object) -> Panel:
        """Add a panel; arguments are those of `Panel`."""
        panel = Panel(*args, **keys)  # type: ignore[arg-type]
        self.rows.append(panel)
        return panel

    def lane(self, axis: Axis, label: str) -> Lane:
        """Add a lane."""
        lane = Lane(axis, label)
        self.rows.append(lane)
        return lane

    def svg(self) -> str:
        """The whole picture."""
        out: list[str] = []
        y = 26.0
        out.append(f'<text class="t" x="16" y="{n(y)}">{escape(self.title)}</text>')
        for line in self.settings:
            y += 18
            out.append(f'<text class="n" x="16" y="{n(y)}">{escape(line)}</text>')
        y += 12
        used: list[str] = []
        leads: list[tuple[float, float]] = []
        lines: list[str] = []
        for i, row in enumerate(self.rows):
            if isinstance(row, Panel):
                y = self._panel(row, i, y, out, leads, used)
            else:
                y += 2
                out.append(_lane(row, y))
                y += row.height
            if self._ends(i):
                lines += [f'<path class="l lead" stroke-dasharray="2 3" d="M{n(x)} {n(start)}V{n(y)}"/>' for x, start in leads]
                leads.clear()
                y = _x_axis(row.axis, y, out)
        y += 8
        y = _legend(used, {p: self.words[p] for p in self._patterns()}, y, out)
        height = math.ceil(y + 10)
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" role="img" '
            f'aria-labelledby="title desc"><title id="title">{escape(self.title)}</title><desc id="desc">{escape(self.alt)}</desc>'
            f"<style>{STYLE}</style>{PATTERNS}"
            f'<rect class="g" x=".5" y=".5" width="{WIDTH - 1}" height="{height - 1}" rx="8"/>'
        )
        return "\n".join([head, *lines, *out, "</svg>"]) + "\n"

    def _ends(self, i: int) -> bool:
        return i + 1 == len(self.rows) or self.rows[i + 1].axis is not self.rows[i].axis

    def _patterns(self) -> list[str]:
        text = "".join("".join(row.back) if isinstance(row, Panel) else "".join(row.parts) for row in self.rows)
        return [name for name in ("alarm", "pass", "dots") if f"url(#{name})" in text]

    def _panel(self, p: Panel, i: int, y: float, out: list[str], leads: list[tuple[float, float]], used: list[str]) -> float:
        y += 14 if i == 0 or self._ends(i - 1) else 20
        out.append(f'<text class="x b h" x="16" y="{n(y)}">{escape(p.label)}</text>')
        rows = _stack([(p.axis(x), text) for x, _, text in p.callouts])
        top = y + 10 + (15 * (max(rows) + 1) if rows else 0)
        for (x, glyph, text), row in zip(p.callouts, rows, strict=True):
            at, line = p.axis(x), top - 11 - 15 * row
            leads.append((at, line + 5))
            out.append(_glyph(glyph, at, line))
            out.append(f'<text class="x h" x="{n(at + 9)}" y="{n(line + 4)}">{escape(text)}</text>')
            if glyph not in used:
                used.append(glyph)
        out.append(f'<g transform="translate(0 {n(top)})">')
        a, b = n(LEFT), n(p.axis.end)
        for value, name in zip(p.at, p.names, strict=True):
            at = p.y(value)
            out.append(
                f'<path class="grid" d="M{a} {n(at)}H{b}"/><text class="s" text-anchor="end" x="{LEFT - 6}" y="{n(at + 4)}">{name}</text>'
            )
        out.extend(p.back)
        out.extend(p.front)
        out.append(f'<path class="l axis" d="M{a} 0V{n(p.height)}H{b}"/>')
        for at, label, cls in _apart(p.margin):
            out.append(f'<text class="{cls}" x="{n(p.axis.end + 7)}" y="{n(at + 4)}">{escape(label)}</text>')
        out.append("</g>")
        return top + p.height


def _stack(labels: Sequence[tuple[float, str]]) -> list[int]:
    """A row for each callout, counted from the plot up, so that no text lies on another or on another's line.

    Texts stand right of their lines: the rightmost is lowest, and a text that reaches over lines on its right stands above them.
    """
    rows = [0] * len(labels)
    order = sorted(range(len(labels)), key=lambda i: -labels[i][0])
    for place, i in enumerate(order):
        x, text = labels[i]
        under = [rows[j] for j in order[:place] if labels[j][0] - 8 < x + 9 + width(text)]
        rows[i] = max(under) + 1 if under else 0
    return rows


def _apart(labels: Iterable[tuple[float, str, str]]) -> list[tuple[float, str, str]]:
    """Labels of the right margin, pushed down until none lies on another."""
    out: list[tuple[float, str, str]] = []
    for y, text, cls in sorted(labels):
        out.append((max(y, out[-1][0] + 13) if out else y, text, cls))
    return out


def _decimals(values: Sequence[float]) -> list[str]:
    places = max((len(f"{v:g}".partition(".")[2]) for v in values), default=0)
    return [f"{v:.{places}f}" for v in values]


def _lane(lane: Lane, y: float) -> str:
    return (
        f'<g transform="translate(0 {n(y)})"><text class="s" text-anchor="end" x="{LEFT - 6}" y="15">{escape(lane.label)}</text>'
        f'<path class="l axis" d="M{LEFT} {n(lane.height)}H{n(lane.axis.end)}" stroke-opacity=".5"/>'
        + "".join(lane.parts)
        + "</g>"
    )


def _x_axis(axis: Axis, y: float, out: list[str]) -> float:
    for value, name in zip(axis.at, axis.names, strict=True):
        x = n(axis(value))
        out.append(
            f'<path class="axis" d="M{x} {n(y)}v4"/><text class="s" text-anchor="middle" x="{x}" y="{n(y + 16)}">{name}</text>'
        )
    out.append(
        f'<text class="x b" text-anchor="middle" x="{n((LEFT + axis.end) / 2)}" y="{n(y + 32)}">{escape(axis.label)}</text>'
    )
    return y + 36


def _legend(glyphs: Sequence[str], patterns: dict[str, str], y: float, out: list[str]) -> float:
    x, y = 22.0, y + 8
    items = [(g, GLYPHS[g]) for g in GLYPHS if g in glyphs] + list(patterns.items())
    for sign, words in items:
        if x + 16 + width(words) > WIDTH - 12:
            x, y = 22.0, y + 17
        if sign in GLYPHS:
            out.append(_glyph(sign, x, y))
        else:
            cls = {"alarm": "as", "pass": "ps", "dots": "axis"}[sign]
            out.append(f'<rect class="{cls}" fill="url(#{sign})" x="{n(x - 6)}" y="{n(y - 6)}" width="14" height="12"/>')
        out.append(f'<text class="s" x="{n(x + 13)}" y="{n(y + 4)}">{escape(words)}</text>')
        x += 13 + width(words) + 22
    return y + 8


PATTERNS = (
    '<defs><pattern id="alarm" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect class="af" width="7" height="7" opacity=".16"/><rect class="af" width="2" height="7" opacity=".5"/></pattern>'
    '<pattern id="pass" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)">'
    '<rect class="pf" width="6" height="6" opacity=".1"/><rect class="pf" width="1" height="6" opacity=".6"/></pattern>'
    '<pattern id="dots" width="5" height="5" patternUnits="userSpaceOnUse"><rect class="lf" width="5" height="5" opacity=".08"/>'
    '<circle class="lf" cx="2.5" cy="2.5" r="1" opacity=".65"/></pattern></defs>'
)
