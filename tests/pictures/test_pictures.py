"""The pictures of rules/README.md are what the rules do today, there is one for each kind, and they can be read."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from draw import FOLDER, PICTURES
from look import SIZE, width

from metrepost.rules.kinds import KINDS

README = (FOLDER.parent / "README.md").read_text(encoding="utf-8")
SVG = "{http://www.w3.org/2000/svg}"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
NOISE = 0.11
"""Coordinates are written to a tenth of a pixel: another machine's last digit may turn one of them over."""


@pytest.fixture(scope="module")
def drawn():
    return {name: draw().svg() for name, draw in PICTURES.items()}


def differences(old, new):
    """What differs between two pictures beyond noise in coordinates. Words must be equal."""
    before, after = list(ET.fromstring(old).iter()), list(ET.fromstring(new).iter())
    if [e.tag for e in before] != [e.tag for e in after]:
        return ["other elements"]
    found = []
    for a, b in zip(before, after, strict=True):
        if a.text != b.text or a.attrib.keys() != b.attrib.keys():
            found.append(f"{a.text!r} was written, {b.text!r} drawn")
        for key in sorted(a.attrib.keys() & b.attrib.keys()):
            one, two = a.get(key), b.get(key)
            numbers = [float(x) for x in NUMBER.findall(one)], [float(x) for x in NUMBER.findall(two)]
            same = NUMBER.sub("#", one) == NUMBER.sub("#", two) and len(numbers[0]) == len(numbers[1])
            if not same or any(abs(x - y) > NOISE for x, y in zip(*numbers, strict=True)):
                found.append(f"{key} of <{a.tag.removeprefix(SVG)}>")
    return found


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_shows_what_its_rule_does_today(name, drawn):
    path = FOLDER / f"{name}.svg"
    assert path.exists(), "draw it: .venv/bin/python tests/pictures/draw.py"
    assert differences(path.read_text(encoding="utf-8"), drawn[name]) == [], "draw it anew, and look at it"


def test_noise_is_forgiven_and_nothing_else(drawn):
    picture = drawn["band"]
    moved = picture.replace('stroke-width="2.2" d="M', 'stroke-width="2.2" d="M9', 1)
    assert moved != picture
    assert differences(picture, moved) == ["d of <path>"]
    assert differences(picture, picture.replace("alarm 15", "alarm 16"))
    for nudge, told in ((0.1, []), (0.3, ["x of <rect>"])):
        nudged = re.sub(r'(<rect class="as" fill="url\(#alarm\)" stroke-width="1.5" x=")([\d.]+)',
                        lambda found, by=nudge: f"{found[1]}{float(found[2]) + by:.1f}", picture, count=1)  # fmt: skip
        assert nudged != picture
        assert differences(picture, nudged) == told


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_section_with_its_picture_and_a_caption(kind):
    assert kind in PICTURES, f"no picture of {kind}: add it to tests/pictures/draw.py"
    section = re.search(rf"^## `{kind}`.*?(?=^## |\Z)", README, re.MULTILINE | re.DOTALL)
    assert section, f"rules/README.md has no section of {kind}"
    image = re.search(rf"^!\[([^\]]+)\]\(pictures/{kind}\.svg\)\n\n\*(.+?)\*$", section[0], re.MULTILINE | re.DOTALL)
    assert image, f"its section does not show pictures/{kind}.svg with alt text and a caption"
    assert len(image[1]) > 20
    assert len(image[2]) > 40


def test_every_picture_is_shown_and_every_file_is_drawn():
    shown = re.findall(r"\]\(pictures/([a-z_]+)\.svg\)", README)
    assert sorted(shown) == sorted(PICTURES)
    assert sorted(path.name for path in FOLDER.iterdir()) == sorted(f"{name}.svg" for name in PICTURES)


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_small_speaks_for_itself_and_loads_nothing(name, drawn):
    root = ET.fromstring(drawn[name])
    assert len(drawn[name].encode()) < 30_000
    assert root.get("role") == "img"
    assert root.findtext(f"{SVG}title")
    assert len(root.findtext(f"{SVG}desc")) > 150
    assert not re.search(r"href|@import|<script|url\((?!#)", drawn[name])
    assert "prefers-color-scheme:dark" in drawn[name]


def boxes(root):
    """Each text as `(left, top, right, bottom, words)`, with the widest letters it may be set in."""

    def walk(element, down):
        down += float((re.search(r"translate\(0 ([-\d.]+)\)", element.get("transform", "")) or [0, 0])[1])
        if element.tag == f"{SVG}text":
            classes = element.get("class").split()
            kind = {"t": "title", "n": "note"}.get(classes[0], "text")
            wide = width(element.text, kind) * (1.08 if "b" in classes else 1.0)
            left = float(element.get("x")) - {"start": 0, "middle": wide / 2, "end": wide}[element.get("text-anchor", "start")]
            base = float(element.get("y")) + down
            yield left, base - 0.75 * SIZE[kind], left + wide, base + 0.2 * SIZE[kind], element.text
        for child in element:
            yield from walk(child, down)

    return list(walk(root, 0.0))


@pytest.mark.parametrize("name", PICTURES)
def test_no_text_lies_on_another_or_leaves_the_picture(name, drawn):
    root = ET.fromstring(drawn[name])
    texts = boxes(root)
    right, bottom = (float(v) for v in root.get("viewBox").split()[2:])
    for x0, y0, x1, y1, words in texts:
        assert x0 >= 2 and y0 >= 0 and x1 <= right - 2 and y1 <= bottom, f"{words!r} leaves the picture: {x0:.0f} to {x1:.0f}"
    for i, (x0, y0, x1, y1, words) in enumerate(texts):
        for a0, b0, a1, b1, other in texts[i + 1 :]:
            assert x1 <= a0 or a1 <= x0 or y1 <= b0 or b1 <= y0, f"{words!r} lies on {other!r}"


def test_the_pictures_are_no_part_of_the_daemon():
    root = Path(__file__).parents[2] / "daemon"
    assert not any("pictures" in path.read_text(encoding="utf-8") for path in root.rglob("*.py"))
