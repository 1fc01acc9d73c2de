"""Plots and the lanes beneath them, in the units of their axes. Nothing in here knows of rules."""

import math
from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape

from look import DASH, LEFT, RIGHT, WIDTH, n, width


def ticks(low: float, high: float, most: int = 7) -> list[float]:
    """Round values within a range."""
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(step * m for m in (1, 2, 2.5, 5, 10, 20) if (high - low) / (step * m) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(i * step, 10) for i in range(first, math.floor(high / step + 1e-9) + 1)]


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
        self._hatch(x0, x1, "alarm")

    def passed(self, x0: float, x1: float) -> None:
        """A stretch that is not judged."""
        self._hatch(x0, x1, "pass")

    def _hatch(self, x0: float, x1: float, pattern: str) -> None:
        a, b = self.axis(self.axis.clip(x0)), self.axis(self.axis.clip(x1))
        b = max(b, a + 2.5)
        self.back.append(f'<rect fill="url(#{pattern})" x="{n(a)}" y="0" width="{n(b - a)}" height="{n(self.height)}"/>')

    def call(self, x: float, glyph: str, text: str) -> None:
        """A callout above the panel with a line down to the lanes; see `GLYPHS`."""
        self.callouts.append((x, glyph, text))

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


def _decimals(values: Sequence[float]) -> list[str]:
    places = max((len(f"{v:g}".partition(".")[2]) for v in values), default=0)
    return [f"{v:.{places}f}" for v in values]
