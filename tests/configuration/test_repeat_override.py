"""One table for many rules, and a line's own changes to a shared rule: expanded and merged before anything is validated."""

from pathlib import Path

import pytest

from metrepost.assembly import assemble
from metrepost.configuration.faults import ConfigurationError
from metrepost.configuration.judgement import judge
from metrepost.configuration.load import load_line
from metrepost.configuration.shipped import shipped_config

ZONES = """format = 1
[rule.zone]
for_each = { zone = ["inner", "foam", "outer"] }
kind = "rate"
class = "process"
reads = "{zone}-extruder.melt"
over = "30 s"
rising = { at = "3 degC/min", response = "Look at the {zone} extruder." }
"""


def line_with(folder, rules, line=""):
    (folder / "config").mkdir()
    (folder / "config" / "products").symlink_to(shipped_config() / "products")
    (folder / "config" / "r.toml").write_text(rules)
    text = (shipped_config() / "core-3.toml").read_text().replace('"foam-core.toml"', '"r.toml"')
    (folder / "config" / "line.toml").write_text(text + line)
    return folder / "config" / "line.toml"


def faults(folder, rules, line=""):
    with pytest.raises(ConfigurationError) as error:
        load_line(line_with(folder, rules, line))
    return error.value.faults


def test_a_rule_is_made_for_each_word(tmp_path):
    loaded = load_line(line_with(tmp_path, ZONES))
    assert [name for name, _ in loaded.rules] == ["zone-inner", "zone-foam", "zone-outer"]
    assert [s.tags() for _, s in loaded.rules] == [("inner-extruder.melt",), ("foam-extruder.melt",), ("outer-extruder.melt",)]
    core = assemble(loaded)
    texts = {state.alarm: state.response for state in core.alarms.states() if state.rule.startswith("zone")}
    assert texts["zone-foam.rising"] == "Look at the foam extruder."


def test_thirty_zones_against_their_own_setpoints_are_one_table(tmp_path):
    words = ", ".join(f'"{n}"' for n in range(1, 31))
    rules = f"""format = 1
[rule.zone]
for_each = {{ n = [{words}] }}
kind = "band"
class = "process"
reads = "zones.z{{n}}"
target = "zones.s{{n}}"
high = {{ at = "3 degC", response = "r" }}
low = {{ at = "3 degC", response = "r" }}
""".replace(
        'high = { at = "3 degC", response = "r" }\nlow = { at = "3 degC", response = "r" }',
        'tolerance = "3 degC"\nhigh = { response = "r" }\nlow = { response = "r" }',
    )
    tags = "".join(
        f'z{n} = {{ node = "nsu=urn:northmere:core-3;s=Zone{n}.Actual" }}\ns{n} = {{ node = "nsu=urn:northmere:core-3;s=Zone{n}.Set" }}\n'
        for n in range(1, 31)
    )
    station = (
        f'\n[station.zones]\nposition = "0 m"\ndefaults = {{ endpoint = "plc", unit = "degC" }}\n[station.zones.tags]\n{tags}'
    )
    assert len(load_line(line_with(tmp_path, rules, station)).rules) == 30


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ('["inner", "foam", "outer"]', '["inner", "inner"]', "rule.zone.for_each.zone[1]", "stands twice"),
        ('["inner", "foam", "outer"]', '["Inner one"]', "rule.zone.for_each.zone[0]", "becomes part of a name"),
        ('["inner", "foam", "outer"]', "[]", "rule.zone.for_each.zone", "with its words"),
        ('{ zone = ["inner", "foam", "outer"] }', '{ a = ["x"], b = ["y"] }', "rule.zone.for_each", "one placeholder"),
        ('reads = "{zone}', 'reads = "{zne}', "rule.zone.reads", "{zne} stands for nothing"),
        ('over = "30 s"', 'over = "30 kg"', "rule.zone.over", "wrong dimension"),
    ],
)
def test_wrong_series_are_refused_once(tmp_path, old, new, key, words):
    assert old in ZONES
    found = faults(tmp_path, ZONES.replace(old, new))
    assert [f.key_path for f in found if words in f.wrong] == [key]


def test_a_placeholder_that_stands_nowhere_is_refused(tmp_path):
    rules = ZONES.replace("{zone}-extruder", "foam-extruder").replace("{zone} extruder", "extruder")
    assert any("stands nowhere" in f.wrong for f in faults(tmp_path, rules))


def test_a_fault_of_the_shared_rule_is_told_there_though_its_table_is_overridden(tmp_path):
    rules = ZONES.replace('"3 degC/min"', '"3 mm"')
    (fault,) = faults(tmp_path, rules, '\n[override.zone]\nrising = { priority = "high" }\n')
    assert (fault.key_path, Path(fault.file).name, fault.line) == ("rule.zone.rising.at", "r.toml", 8)


SAME_NAME = """
[rule.zone-foam]
kind = "bit"
class = "process"
reads = "plc.threading"
response = "r"
"""


@pytest.mark.parametrize("series_first", [True, False])
def test_a_made_name_that_another_rule_has_is_refused_with_both_places(tmp_path, series_first):
    rules = ZONES + SAME_NAME if series_first else "format = 1\n" + SAME_NAME + ZONES.removeprefix("format = 1\n")
    (fault,) = faults(tmp_path, rules)
    lines = rules.splitlines()
    series, written = lines.index("[rule.zone]") + 1, lines.index("[rule.zone-foam]") + 1
    if series_first:
        assert (fault.key_path, fault.line) == ("rule.zone-foam", written)
        assert f'r.toml, line {series}, made by for_each of zone with "foam"' in fault.wrong
    else:
        assert (fault.key_path, fault.line) == ("rule.zone.for_each.zone[1]", series + 1)
        assert f"the rule zone-foam that is made here stands in {tmp_path}/config/r.toml, line {written} already" in fault.wrong


def test_two_series_that_make_one_name_are_refused(tmp_path):
    other = ZONES.removeprefix("format = 1\n").replace("[rule.zone]", "[rule.zone-f]").replace('"inner", "foam"', '"oam", "x"')
    one = ZONES.replace('"foam"', '"f-oam"')
    found = [fault for fault in faults(tmp_path, one + other) if "already" in fault.wrong]
    assert [fault.key_path for fault in found] == ["rule.zone-f.for_each.zone[0]"]
    assert 'made by for_each of zone with "f-oam"' in found[0].wrong


def test_alarms_of_a_series_that_was_refused_are_not_called_unknown(tmp_path):
    rules = (
        ZONES.replace('over = "30 s"', 'over = "30 kg"')
        + SAME_NAME.replace("zone-foam", "other")
        + 'because_of = ["zone-outer.rising"]\n'
    )
    assert [fault.key_path for fault in faults(tmp_path, rules)] == ["rule.zone.over"]


def test_an_override_changes_one_key_for_this_line_and_check_lists_it(tmp_path):
    rules = (shipped_config().parent / "rules" / "foam-core.toml").read_text()
    over = '\n[override.cold-diameter]\ndeadband = "0.008 mm"\nhigh = { priority = "critical" }\n'
    loaded = load_line(line_with(tmp_path, rules, over))
    settings = dict(loaded.rules)["cold-diameter"]
    assert str(settings.deadband) == "0.008 mm"
    assert settings.high.priority == "critical"
    assert settings.high.response.startswith("Scrap from the metre shown")
    assert any("overridden for this line: deadband, high" in note.text for note in judge(loaded))


@pytest.mark.parametrize(
    ("over", "key", "words"),
    [
        ('[override.cold-diametre]\ndeadband = "1 um"\n', "override.cold-diametre", "there is no rule"),
        ('[override.zone]\nover = "3 kg"\n', "override.zone.over", "wrong dimension"),
        ('[override.zone]\novr = "3 s"\n', "override.zone.ovr", "no such"),
        ('[override.zone]\nrising = { at = "3 mm" }\n', "override.zone.rising.at", ""),
        ('[override.zone]\nrising = { cause = "the {zne}" }\n', "override.zone.rising.cause", "{zne} stands for nothing"),
        ('[override.zone]\nfor_each = { zone = ["inner", "In ner"] }\n', "override.zone.for_each.zone[1]", "part of a name"),
        ('[override.zone-foam]\nover = "20 s"\n', "override.zone-foam", "made by for_each; override zone"),
    ],
)
def test_wrong_overrides_point_into_the_line_file(tmp_path, over, key, words):
    found = faults(tmp_path, ZONES, "\n" + over)
    mine = [f for f in found if f.key_path == key]
    assert mine, [str(f) for f in found]
    assert words in mine[0].wrong
    assert str(mine[0].file).endswith("line.toml")
