"""A sweep as a picture: alarms, and flaws that were found, against the value of the setting (SVG, pure)."""

from collections.abc import Sequence
from html import escape

from .sweep import Tried

WIDTH, HEIGHT = 720, 360
LEFT, RIGHT, TOP, BOTTOM = 60, 150, 30, 60
STYLE = (
    "text{font:13px sans-serif;fill:#222}.axis{stroke:#888;fill:none}.a{stroke:#b3261e;fill:none;stroke-width:2}.a circle,.ta{fill:#b3261e}"
    ".h{stroke:#1e63b3;fill:none;stroke-width:2;stroke-dasharray:6 4}.h circle,.th{fill:#1e63b3}.ground{fill:#fff}"
    "@media(prefers-color-scheme:dark){text{fill:#ddd}.ground{fill:#1b1b1b}.a{stroke:#ff8a80}.a circle,.ta{fill:#ff8a80}"
    ".h{stroke:#82b1ff}.h circle,.th{fill:#82b1ff}}"
)


def picture(name: str, tried: Sequence[Tried]) -> str:
    """The rule's alarms by value, evenly spaced in the order they were tried; with a truth, the flaws found as well. Refused values
    are left out of the lines and marked on the axis."""
    most = max([1, *(one.own for one in tried), *(one.hits or 0 for one in tried), *(one.flaws or 0 for one in tried)])
    step = (WIDTH - LEFT - RIGHT) / max(1, len(tried) - 1)

    def x(n: int) -> float:
        return LEFT + n * step

    def y(count: float) -> float:
        return HEIGHT - BOTTOM - count / most * (HEIGHT - TOP - BOTTOM)

    good = [(n, one) for n, one in enumerate(tried) if not one.refused]
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(name)}">',
        f'<style>{STYLE}</style><rect class="ground" width="{WIDTH}" height="{HEIGHT}"/>',
        f'<path class="axis" d="M{LEFT} {TOP}V{HEIGHT - BOTTOM}H{WIDTH - RIGHT}"/>',
        f'<text x="{LEFT}" y="{TOP - 10}">number in the whole recording</text>',
    ]
    for count in sorted({0, most // 2, most}):
        parts.append(f'<text x="{LEFT - 8}" y="{y(count) + 4:.1f}" text-anchor="end">{count}</text>')
    every = max(1, -(-len(tried) // 8))  # labels at most as many as fit beside each other
    for n, one in enumerate(tried):
        if n % every == 0:
            parts.append(
                f'<text x="{x(n):.1f}" y="{HEIGHT - BOTTOM + 18}" text-anchor="middle">{escape(str(one.value))}</text>'
            )
        if one.refused:
            parts.append(f'<text x="{x(n):.1f}" y="{HEIGHT - BOTTOM - 6}" text-anchor="middle">refused</text>')
    parts.append(f'<text x="{(LEFT + WIDTH - RIGHT) / 2}" y="{HEIGHT - 16}" text-anchor="middle">{escape(name)}</text>')
    parts += _line("a", [(x(n), y(one.own)) for n, one in good])
    if good:
        last = good[-1][1]
        parts.append(f'<text class="ta" x="{WIDTH - RIGHT + 10}" y="{y(last.own) + 4:.1f}">alarms</text>')
        if last.hits is not None:
            parts += _line("h", [(x(n), y(one.hits or 0)) for n, one in good])
            at = y(last.hits) + (18 if abs(y(last.hits) - y(last.own)) < 14 else 4)
            parts.append(f'<text class="th" x="{WIDTH - RIGHT + 10}" y="{at:.1f}">flaws found of {last.flaws}</text>')
    return "\n".join([*parts, "</svg>", ""])


def _line(kind: str, points: Sequence[tuple[float, float]]) -> list[str]:
    if not points:
        return []
    path = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
    dots = "".join(f'<circle cx="{a:.1f}" cy="{b:.1f}" r="3" stroke="none"/>' for a, b in points)
    return [f'<g class="{kind}"><polyline points="{path}"/>{dots}</g>']
