"""What the live view is drawn with: one set for a terminal that knows Unicode, one for a terminal that does not."""

import msgspec
from rich.text import Text

from .board import MarkKind


class Glyphs(msgspec.Struct, frozen=True):
    """What the drawing is made of. `bars` go from low to high."""

    bars: str
    marks: dict[MarkKind, str]
    scrap: str
    unseen: str
    rule: str
    tick: str
    pin: str
    cable: str
    reel: str
    up: str
    down: str


RICH = Glyphs(
    bars="▁▂▃▄▅▆▇█",
    marks={"lump": "▲", "neck": "▼", "unwitnessed": "△", "spark": "✕", "cut": "┃", "drop": "·"},
    scrap="▒",
    unseen="?",
    rule="─",
    tick="┴",
    pin="╵",
    cable="─",
    reel="═",
    up="up",
    down="DOWN",
)
PLAIN = Glyphs(
    bars="_.-~=+*#",
    marks={"lump": "A", "neck": "V", "unwitnessed": "^", "spark": "X", "cut": "|", "drop": "."},
    scrap="/",
    unseen="?",
    rule="-",
    tick="+",
    pin="'",
    cable="-",
    reel="=",
    up="up",
    down="DOWN",
)


def title(text: str, width: int, glyphs: Glyphs) -> Text:
    """A heading with a rule to the right edge."""
    line = Text(f"{text} ", style="bold")
    line.append(glyphs.rule * max(0, width - len(text) - 1), style="dim")
    return line


_ASCII = str.maketrans({"µ": "u", "±": "~", "…": "~", "–": "-", "×": "x", "°": " ", "²": "2", "─": "-", "═": "="})


def in_encoding(text: str, encoding: str) -> str:
    """`text` with one character for each that `encoding` lacks, so that a column stays a column."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return text.translate(_ASCII).encode(encoding, "replace").decode(encoding)
    return text
