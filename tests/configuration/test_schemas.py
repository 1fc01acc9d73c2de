import tomllib

import jsonschema
import pytest

from metrepost.configuration import shipped_config
from metrepost.configuration.schemas import schemas
from support_configuration import GOOD, KINDS, RULES, changed

ALL = schemas(KINDS)


def _errors(kind, text):
    validator = jsonschema.Draft202012Validator(ALL[kind])
    return [".".join(map(str, error.absolute_path)) for error in validator.iter_errors(tomllib.loads(text))]


@pytest.mark.parametrize("kind", sorted(ALL))
def test_they_are_schemas(kind):
    jsonschema.Draft202012Validator.check_schema(ALL[kind])


def test_good_files_pass():
    assert _errors("line", GOOD) == []
    assert _errors("rules", RULES) == []
    assert _errors("line", (shipped_config() / "core-3.toml").read_text(encoding="utf-8")) == []
    for path in (shipped_config() / "products").glob("*.toml"):
        assert _errors("product", path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("kind", "old", "new", "where"),
    [
        ("line", "aperture =", "apperture =", "station.gauge"),
        ("line", '"input"', '"inptu"', "station.gauge.defaults.table"),
        ("line", "[station.plc]", '[station."P L C"]', "station"),
        ("line", "register = 202", 'register = "202"', "station.gauge.tags.y.register"),
        ("line", '"modbus-tcp"', '"modbus"', "endpoint.gauges"),
        ("rules", 'kind = "level"\nclass = "process"', 'kind = "lvl"\nclass = "process"', "rule.hot.kind"),
        ("rules", '"2 m"', "2", "rule.thick.on_delay"),
        ("rules", "response =", "respons =", "rule.hot"),
    ],
)
def test_bad_files_do_not(kind, old, new, where):
    assert where in _errors(kind, changed(GOOD if kind == "line" else RULES, old, new))


def test_every_kind_of_this_installation_has_one():
    from metrepost.rules.kinds import KINDS as REAL

    rules = schemas()["rules"]
    jsonschema.Draft202012Validator.check_schema(rules)
    assert set(REAL) <= set(rules["$defs"])
