"""The reference tells the truth: its example loads, it names every key, its defaults are those of the models."""

import re

import pytest

from metrepost.configuration import load_line, shipped_config
from metrepost.configuration.mapping import read_mapping
from metrepost.configuration.models import LineFile
from metrepost.configuration.references import COLUMNS, read_references
from metrepost.configuration.schemas import schemas
from metrepost.line.formulas import FUNCTIONS
from metrepost.line.physical import PHYSICAL
from metrepost.points.model import Point
from metrepost.readings import Tag

TEXT = (shipped_config() / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", TEXT, re.DOTALL)


def test_the_example_loads_with_its_list_and_people(tmp_path):
    blocks = [block for kind, block in BLOCKS if kind == "toml" and "[point." not in block and "[column." not in block]
    whole, broker, people, doors = blocks
    # its own [mqtt] gives way to the one of the section on the broker
    head, _, rest = whole.partition("[mqtt]")
    _, next_table, tail = rest.partition("\n[")
    whole = head + broker + ("\n[" + tail if next_table else "\n")
    (register_list,) = [block for kind, block in BLOCKS if kind == "csv" and block.startswith("station")]
    (tmp_path / "registers.csv").write_text(register_list, encoding="utf-8")
    (tmp_path / "mqtt-password").write_text("not a word\n", encoding="utf-8")
    (tmp_path / "ca.pem").touch()
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "maintenance-url").write_text("json://192.0.2.40\n", encoding="utf-8")
    whole = whole.replace("rules = []", 'rules = []\ntags_csv = "registers.csv"')
    (tmp_path / "line.toml").write_text(whole + people + doors, encoding="utf-8")
    line = load_line(tmp_path / "line.toml", environ={}, kinds={})
    assert "cold-gauge.x_min" in line.plan.tags
    assert (line.mqtt.tls, line.mqtt.user, line.mqtt.password) == (True, "core-3", "not a word")
    assert [person.name for person in line.notify.people] == ["maintenance"]
    assert line.doors.local is not None
    assert [grant.name for grant in line.doors.local.grants] == ["shift", "maintenance"]
    assert "shelve" not in line.doors.local.grants[0].acts


def test_the_references_example_is_read(tmp_path):
    (block,) = [block for kind, block in BLOCKS if kind == "toml" and "[point." in block]
    (tmp_path / "references.toml").write_text(block, encoding="utf-8")
    units = {"cold-gauge.x": "mm", "cold-gauge.y": "mm", "trough.water": "degC", "spark-tester.faults": "count"}
    found = read_references(tmp_path / "references.toml", [Point(tag=tag, unit=unit) for tag, unit in units.items()], "")
    assert [(each.tag, each.by, each.accept_uncertain, bool(each.waive)) for each in found] == [
        ("cold-gauge.x", "Kim", False, False),
        ("cold-gauge.y", "Robin", False, False),
        ("trough.water", "Kim", True, False),
        ("spark-tester.faults", "Kim", False, True),
    ]
    for column in COLUMNS:
        assert f"`{column}`" in TEXT


def test_the_mapping_example_is_read(tmp_path):
    (block,) = [block for kind, block in BLOCKS if kind == "toml" and "[column." in block]
    (tmp_path / "mapping.toml").write_text(block, encoding="utf-8")
    units = {"cold-gauge.x": "mm", "trough.water": "degC"}
    found = read_mapping(
        tmp_path / "mapping.toml", {name: Tag(name, name.partition(".")[0], unit=unit) for name, unit in units.items()}
    )
    assert (found.columns["X kalt [um]"].scale, found.columns["Wasser"].on_change) == (pytest.approx(1e-3), True)


def _keys(schema):
    for name, table in {"LineFile": schema, **schema["$defs"]}.items():
        for key in table.get("properties", {}):
            yield name, key


@pytest.mark.parametrize(("table", "key"), sorted(set(_keys(schemas({})["line"]))))
def test_every_key_is_told(table, key):
    if table in ("SecretTable", "NameTable") or key == "format":
        return
    assert re.search(rf"`[^`\n]*\b{key}\b[^`\n]*`", TEXT), f"{table}.{key} is not in config/README.md"


def test_functions_of_computed_tags_are_told():
    for name in FUNCTIONS:
        assert f"`{name}`" in TEXT


def test_physical_functions_are_told_with_inputs_and_units():
    rows = {row.split("|")[1].strip(): row for row in TEXT.splitlines() if row.startswith("| `")}
    for name, function in PHYSICAL.items():
        row = rows[f"`{name}`"]
        for what, unit in zip(function.takes, function.inputs, strict=True):
            assert what.split()[0] in row
            assert not unit or f"({unit})" in row
        assert f"| {function.unit or 'ratio'} " in row
        groups = {"conductor": "conductor", "braid_wire": "braid", "inner_skin": "skins", "model": "foam"}
        for option in function.options:
            if option in groups:
                assert groups[option] in row.split("|")[3]
            elif option in ("solid_density", "reference"):
                assert f"`{option}`" in row.split("|")[3]


@pytest.mark.parametrize(
    ("table", "key", "default"),
    [
        ("ModbusTcpTable", "poll", 1.0),
        ("ModbusTcpTable", "timeout", 0.5),
        ("ModbusTcpTable", "max_gap", 8),
        ("ModbusTcpTable", "max_registers", 125),
        ("OpcUaTable", "publish", 0.1),
        ("OpcUaTable", "sampling", 0.05),
        ("OpcUaTable", "timeout", 4.0),
        ("LengthTable", "resolution", 0.01),
        ("LengthTable", "reverse_limit", 0.5),
        ("MqttTable", "keepalive", 30.0),
        ("NotifyTable", "flood", 10),
        ("NotifyTable", "window", 600.0),
    ],
)
def test_defaults_are_those_of_the_reference(table, key, default):
    """In seconds and metres, as the tables of the reference say."""
    assert LineFile.model_json_schema()["$defs"][table]["properties"][key]["default"] == default
