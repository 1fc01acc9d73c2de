"""What the pictures look like: colours for light and dark, hatches, signs, and how wide words are.

Shapes, dashes and hatches carry the meaning, colours only repeat it. A picture has a ground of its own, light or dark as the reader's
system wants it, so it can be read on any page.
"""

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

DASH = {"limit": "7 4", "target": "8 3 2 3"}


def width(text: str, kind: str = "text") -> float:
    """Pixels a text takes at most."""
    return len(text) * SIZE[kind] * WIDE[kind]


def n(value: float) -> str:
    """A coordinate: a tenth of a pixel is enough."""
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


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


def glyph_at(glyph: str, x: float, y: float) -> str:
    """A sign of `GLYPHS` round a place, in pixels."""
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


PATTERNS = (
    '<defs><pattern id="alarm" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect class="af" width="7" height="7" opacity=".16"/><rect class="af" width="2" height="7" opacity=".5"/></pattern>'
    '<pattern id="pass" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)">'
    '<rect class="pf" width="6" height="6" opacity=".1"/><rect class="pf" width="1" height="6" opacity=".6"/></pattern>'
    '<pattern id="dots" width="5" height="5" patternUnits="userSpaceOnUse"><rect class="lf" width="5" height="5" opacity=".08"/>'
    '<circle class="lf" cx="2.5" cy="2.5" r="1" opacity=".65"/></pattern></defs>'
)
