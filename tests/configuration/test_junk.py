"""Whatever stands for a value, the answer is faults with a place, never another exception."""

import re

import pytest

from metrepost.configuration import ConfigurationError, load_line
from metrepost.rules.kinds import KINDS as REAL
from support_configuration import GOOD, KINDS, RULES, written

JUNK = ["-1.5", "true", '""', '"1 m"', '"é.x"', "[[{}]]", "{ a = { b = 1 } }", "1979-05-27"]
_PAIR = re.compile(r"([\w.-]+) = (\"[^\"]*\"|\[[^\]]*\]|[\w.-]+)(?=[ ,\n}])")
PRODUCT = '[product]\nfrom = "plc.cut"\nvalues = { 75 = "a" }\n'
PICKED = (
    GOOD[: GOOD.index("[product]")] + PRODUCT + GOOD[GOOD.index("[length]") :] + '[notify.people.ann]\nurls = [{ env = "U" }]\n'
)


def _load(folder, line, rules):
    path = written(folder, line, rules)
    try:
        load_line(path, environ={"U": "json://x"}, kinds={**REAL, **KINDS}).build_rules()
    except ConfigurationError as error:
        faults = error.faults
    else:
        return
    assert faults
    assert all(fault.line >= 0 and fault.wrong for fault in faults)


@pytest.mark.parametrize("junk", JUNK)
def test_any_value_of_the_line_file(tmp_path, junk):
    (tmp_path / "products").mkdir()
    (tmp_path / "products" / "a.toml").write_text('format = 1\n[product]\nname = "A"\ndielectric = "4.8 mm"\n')
    for match in _PAIR.finditer(PICKED):
        _load(tmp_path, PICKED[: match.start(2)] + junk + PICKED[match.end(2) :], RULES)


@pytest.mark.parametrize("junk", JUNK)
def test_any_value_of_a_rule_file(tmp_path, junk):
    rules = RULES + (
        '[rule.band]\nkind = "band"\nclass = "product"\nreads = "gauge.diameter"\nover = "1 m"\ntarget = "product.dielectric"\n'
        'when = "producing"\nblind = { after = "10 m" }\nhigh = { priority = "high", respond_within = "2 min" }\n'
        '[rule.flaw]\nkind = "flaw"\nclass = "product"\nreads = ["gauge.x_max"]\ndirection = "lump"\nbaseline = "5 m"\n'
        'height = "0.06 mm"\nbecause_of = ["band.high"]\n'
    )
    for match in _PAIR.finditer(rules):
        _load(tmp_path, GOOD, rules[: match.start(2)] + junk + rules[match.end(2) :])


@pytest.mark.parametrize("table", ["line", "product", "length", "take_up", "rollups", "endpoint", "station", "mqtt", "notify"])
@pytest.mark.parametrize("junk", ["1", "[]", "{}", "{ x = 1 }", "{ x = { tags = 1, computed = [], defaults = 2 } }"])
def test_any_value_for_a_table(tmp_path, table, junk):
    start = "format = 1\n" + f"{table} = {junk}\n"
    rest = re.sub(rf"(?ms)^\[{table}[.\]].*?(?=^\[(?!{table}[.\]])|\Z)", "", GOOD.removeprefix("format = 1\n"))
    _load(tmp_path, start + rest, RULES)


def test_cut_off_anywhere(tmp_path):
    for end in range(0, len(GOOD), 23):
        _load(tmp_path, GOOD[:end], RULES)
