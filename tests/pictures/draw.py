"""Draw the pictures of rules/README.md: `.venv/bin/python tests/pictures/draw.py`.

Every picture is made by running the real rule on a small trace that is the same each time, so the files change only when a rule, or
a picture, does. A test draws all of them anew and compares.
"""

import sys
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import cable
import flaws
import gates
import levels
from picture import Picture

FOLDER = Path(__file__).resolve().parents[2] / "rules" / "pictures"

PICTURES: dict[str, Callable[[], Picture]] = {
    "band": levels.band,
    "bit": levels.bit,
    "missing": levels.missing,
    "stuck": levels.stuck,
    "rate": levels.rate,
    "condition": levels.condition,
    "flaw": flaws.flaw,
    "count": flaws.count,
    "drift": cable.drift,
    "periodic": cable.periodic,
    "disagree": cable.disagree,
    "untested": cable.untested,
    "end_of": gates.end_of,
    "hold_off": gates.hold_off,
    "when": gates.when,
    "wet_gauge": flaws.wet_gauge,
}
"""Each picture by its file name; the kinds stand first."""


def main() -> None:
    """Write all, and say what changed."""
    FOLDER.mkdir(exist_ok=True)
    for name, draw in PICTURES.items():
        path, text = FOLDER / f"{name}.svg", draw().svg()
        before = path.read_text(encoding="utf-8") if path.exists() else ""
        path.write_text(text, encoding="utf-8")
        print(f"{path.name}: {len(text) / 1000:.0f} kB{'' if before == text else ', changed'}")


if __name__ == "__main__":
    main()
