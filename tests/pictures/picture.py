"""A whole picture as SVG: title, settings, panels and lanes from top to bottom, legend. The same input gives the same bytes."""

import math
from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape

from chart import Axis, Lane, Panel
from look import GLYPHS, LEFT, PATTERNS, STYLE, WIDTH, glyph_at, n, width


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
                if row.callouts:  # lines of the panel above end where this one has its own
                    _lines(leads, y, lines)
                y = self._panel(row, i, y, out, leads, used)
            else:
                y += 2
                out.append(_lane(row, y))
                y += row.height
            if self._ends(i):
                _lines(leads, y, lines)
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
            out.append(glyph_at(glyph, at, line))
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


def _lines(leads: list[tuple[float, float]], y: float, lines: list[str]) -> None:
    """Draw the lines that wait for their end."""
    lines += [f'<path class="l lead" stroke-dasharray="2 3" d="M{n(x)} {n(start)}V{n(y)}"/>' for x, start in leads]
    leads.clear()


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
            out.append(glyph_at(sign, x, y))
        else:
            cls = {"alarm": "as", "pass": "ps", "dots": "axis"}[sign]
            out.append(f'<rect class="{cls}" fill="url(#{sign})" x="{n(x - 6)}" y="{n(y - 6)}" width="14" height="12"/>')
        out.append(f'<text class="s" x="{n(x + 13)}" y="{n(y + 4)}">{escape(words)}</text>')
        x += 13 + width(words) + 22
    return y + 8
