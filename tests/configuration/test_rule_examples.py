"""The reference of the rules tells the truth: every example in it loads on the demonstration line."""

import re
import tomllib
from pathlib import Path

import pytest

from metrepost.configuration import load_line
from metrepost.rules.band import BandSettings

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "rules" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)

ZONES = """
[station.zones]
position = "0 m"
defaults = { endpoint = "plc", unit = "degC" }
[station.zones.tags]
""" + "".join(
    f'{word}-{n} = {{ node = "nsu=urn:northmere:core-3;s=Zone{n}.{word}" }}\n' for n in (1, 2, 3) for word in ("actual", "set")
)
"""What the example of the temperature zones reads."""


def _loaded(folder: Path, example: str):
    (folder / "products").mkdir()
    for product in (ROOT / "config" / "products").glob("*.toml"):
        (folder / "products" / product.name).write_text(product.read_text())
    line = (ROOT / "config" / "core-3.toml").read_text().replace("foam-core.toml", "example.toml") + ZONES
    (folder / "core-3.toml").write_text(line)
    text = example if example.startswith("format") else f"format = 1\n{example}"
    (folder / "example.toml").write_text(text)
    return load_line(folder / "core-3.toml", environ={}), tomllib.loads(text)["rule"]


def _is_rule(example: str) -> bool:
    return "rule" in tomllib.loads(example)


@pytest.mark.parametrize("example", EXAMPLES)
def test_every_example_loads(example, tmp_path):
    assert _is_rule(example), "an example that is no rule needs a test of its own"
    line, tables = _loaded(tmp_path, example)
    made = [len(next(iter(table["for_each"].values()))) if "for_each" in table else 1 for table in tables.values()]
    assert len(line.rules) == sum(made)


def test_zones_are_held_against_the_setpoint_of_the_plc(tmp_path):
    (example,) = [example for example in EXAMPLES if "for_each" in example]
    line, _ = _loaded(tmp_path, example)
    assert [(type(rule), rule.reads, rule.target) for _, rule in line.rules] == [
        (BandSettings, f"zones.actual-{n}", f"zones.set-{n}") for n in (1, 2, 3)
    ]
