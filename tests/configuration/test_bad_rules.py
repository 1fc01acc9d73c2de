# ruff: noqa: E501 - a table of cases reads best with one case a row
"""Rules that must be refused: each with the key that is named and the decisive words; and all of them in one file, told at once."""

import re
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from metrepost.configuration import ConfigurationError, Fault, load_line

CONFIG = Path(__file__).parents[2] / "config"

GOOD = """format = 1
[rule.lump]
kind = "flaw"
class = "product"
reads = ["cold-gauge.x_max", "cold-gauge.y_max"]
direction = "lump"
height = "0.06 mm"
witness = { reads = ["hot-gauge.x_max", "hot-gauge.y_max"], max_length = "100 mm", up_to_speed = "80 m/min" }
[rule.neck]
kind = "flaw"
class = "product"
reads = "cold-gauge.x_min"
direction = "neck"
height = "0.06 mm"
[rule.water]
kind = "band"
class = "process"
reads = "trough.water"
high = { at = "26 degC" }
"""
"""What stands in the file beside the wrong rules: good, and named by some of them."""

BAND = 'kind = "band"\nclass = "product"\nreads = "cold-gauge.diameter"\n'
LEVEL = 'kind = "band"\nclass = "process"\nreads = "trough.water"\n'
FLAW = 'kind = "flaw"\nclass = "product"\nreads = ["cold-gauge.x_max", "cold-gauge.y_max"]\ndirection = "lump"\n'
COUNT = 'kind = "count"\nclass = "equipment"\n'
BIT = 'kind = "bit"\nclass = "equipment"\nreads = "spark-tester.voltage_on"\n'
RATE = 'kind = "rate"\nclass = "process"\nreads = "foam-extruder.pressure"\n'
DRIFT = 'kind = "drift"\nclass = "product"\nreads = "cold-gauge.diameter"\nup = {}\n'
CONDITION = 'kind = "condition"\nclass = "system"\n'
DISAGREE = 'kind = "disagree"\nclass = "system"\nreads = "cold-gauge.diameter"\n'
PERIODIC = 'kind = "periodic"\nclass = "product"\nreads = "cold-gauge.diameter"\n'
STUCK = 'kind = "stuck"\nclass = "system"\nreads = "cold-gauge.x"\n'
MISSING = 'kind = "missing"\nclass = "system"\nreads = "cold-gauge.x"\n'
UNTESTED = 'kind = "untested"\nclass = "product"\nvoltage = "spark-tester.voltage"\nelectrode = "100 mm"\n'
END_OF = 'kind = "end_of"\nclass = "equipment"\n'


@dataclass(frozen=True)
class Bad:
    """A wrong rule: its table, the key that is named (within the rule, "" for the rule itself), words of the message, the nearest
    name that is offered, and names that stand among the allowed ones."""

    name: str
    table: str
    key: str
    words: str
    nearest: str = ""
    allowed: tuple[str, ...] = field(default=())


def _around(low: str, high: str) -> str:
    return f'target = "4.80 mm"\ntolerance = "0.05 mm"\n{low}{high}'


HIGH, LOW = "high = {}\n", "low = {}\n"

BAD = [
    # ---- limits that contradict each other
    Bad("low-over-high", LEVEL + 'low = { at = "26 degC" }\nhigh = { at = "20 degC" }', "high", "contradicts low: high 20 is not above low 26"),
    Bad("low-at-high", LEVEL + 'low = { at = "20 degC" }\nhigh = { at = "20 degC" }', "high", "contradicts low"),
    Bad("low-low-over-low", LEVEL + 'low_low = { at = "19 degC" }\nlow = { at = "18 degC" }', "low", "contradicts low_low: low 18 is not above low_low 19"),
    Bad("high-over-high-high", LEVEL + 'high = { at = "30 degC" }\nhigh_high = { at = "28 degC" }', "high_high", "contradicts high: high_high 28"),
    Bad("high-high-in-the-band", BAND + 'target = "product.dielectric"\nhigh = {}\nhigh_high = { at = "4.84 mm" }', "high_high", "contradicts high for product K75-480"),
    Bad("high-below-the-target", BAND + _around(LOW, 'high = { at = "4.79 mm" }'), "high.at", "high 4.79 is not above the target 4.8"),
    Bad("low-above-the-target", BAND + _around('low = { at = "4.81 mm" }\n', HIGH), "low.at", "low 4.81 is not below the target 4.8"),
    Bad("low-above-one-product", BAND + 'target = "product.dielectric"\nlow = { at = "4.75 mm" }', "low.at", "the target 4.7 for product K75-470"),
    Bad("deadband-too-wide", BAND + _around(LOW, HIGH) + 'deadband = "0.06 mm"', "deadband", "wider than half the band (0.05)"),
    Bad("deadband-negative", BAND + _around(LOW, HIGH) + 'deadband = "-1 um"', "deadband", "-1 um is negative"),
    Bad("deadband-over-rate", RATE + 'over = "20 s"\ndeadband = "70 bar/min"\nrising = { at = "60 bar/min" }', "deadband", "wider than rising 60 bar/min"),
    Bad("no-limit", BAND, "", "a band needs at least one limit", allowed=("low", "high")),
    Bad("no-setpoint", LEVEL + HIGH, "high", "needs a setpoint"),
    Bad("high-high-without-setpoint", BAND + _around("", HIGH) + "high_high = {}", "high_high", "needs its own setpoint"),
    Bad("no-tolerance", BAND + 'target = "4.80 mm"\nhigh = {}', "tolerance", "says nothing of its tolerance"),
    Bad("tolerance-of-0", BAND + 'target = "4.80 mm"\ntolerance = "0 mm"\nhigh = {}', "tolerance", "0 mm leaves no band"),
    # ---- dimensions and numbers
    Bad("temperature-in-mm", LEVEL + 'high = { at = "26 mm" }', "high.at", "26 mm has the wrong dimension; the tag is in degC"),
    Bad("deadband-in-kelvin-of-mm", BAND + _around("", HIGH) + 'deadband = "1 K"', "deadband", "wrong dimension"),
    Bad("two-gauges-in-a-flaw", FLAW.replace("cold-gauge.y_max", "hot-gauge.y_max") + 'height = "0.06 mm"', "reads", "belong to one gauge"),
    Bad("two-units-in-a-flaw", FLAW.replace("cold-gauge.y_max", "cold-gauge.impedance") + 'height = "0.06 mm"', "reads", "have one unit"),
    Bad("witness-of-another-unit", FLAW + 'height = "0.06 mm"\nwitness = { reads = "foam-extruder.melt", max_length = "1 m" }', "witness.reads", "foam-extruder.melt is in degC"),
    Bad("disagree-of-two-units", DISAGREE + 'against = "trough.water"\ntolerance = "0.02 mm"', "against", "measure different things"),
    Bad("setpoint-of-another-unit", LEVEL + 'target = "foam-extruder.pressure"\ntolerance = "1 degC"\nhigh = {}', "target", "bar cannot be turned into degC"),
    Bad("counter-in-mm", COUNT + 'reads = "cold-gauge.x"\nlimit = 3\nper = "1 km"', "reads", "a counter is a plain number"),
    Bad("turns-of-no-screw", PERIODIC + 'amplitude = "6 um"\nparts = { wheel = { turns = "trough.water" } }', "parts.wheel.turns", "is no speed of rotation"),
    Bad("over-in-bar", BAND + _around("", HIGH) + 'over = "1 bar"', "over", "a length or a time is expected"),
    Bad("per-in-degrees", COUNT + 'counts = { flaw = "lump" }\nlimit = 4\nper = "10 degC"', "per", "a length or a time is expected"),
    Bad("window-in-metres", RATE + 'over = "20 m"\nrising = { at = "60 bar/min" }', "over", "a quantity in s is expected"),
    Bad("subgroup-in-seconds", DRIFT + 'subgroup = "10 s"', "subgroup", "a quantity in m is expected"),
    Bad("hold-off-in-kg", LEVEL + 'high = { at = "26 degC" }\nhold_off = { after_change_of = "trough.water", for = "1 kg" }', "hold_off.for", "a length or a time is expected"),
    Bad("hold-off-of-0", LEVEL + 'high = { at = "26 degC" }\nhold_off = { after_change_of = "trough.water", for = "0 s" }', "hold_off.for", "must be more than 0"),
    Bad("hold-off-negative", LEVEL + 'high = { at = "26 degC" }\nhold_off = { after_change_of = "trough.water", for = "-5 s" }', "hold_off.for", "-5 s is negative"),
    Bad("blind-after-0", LEVEL + 'high = { at = "26 degC" }\nblind = { after = "0 m" }', "blind.after", "must be more than 0"),
    Bad("nan", LEVEL + 'high = { at = "nan degC" }', "high.at", "is no quantity"),
    Bad("inf", BAND + 'target = "4.80 mm"\ntolerance = "inf mm"\nhigh = {}', "tolerance", "is no quantity"),
    Bad("inf-in-another-unit", BAND + 'high = { at = "1e308 km" }', "high.at", "too large in mm"),
    Bad("ratio-inf", DISAGREE + 'against = "hot-gauge.diameter"\ntolerance = "0.02 mm"\nratio = inf', "ratio", "finite number"),
    Bad("velocity-nan", PERIODIC + 'amplitude = "6 um"\nvelocity = nan', "velocity", "a velocity factor above 0 and up to 1"),
    Bad("number-for-text", LEVEL + "high = { at = 26 }", "high.at", "write a number with its unit in quotes"),
    # ---- products
    Bad("product-target-unknown", BAND + 'target = "product.dielectrc"\nhigh = {}', "target", "has no value 'dielectrc'", "product.dielectric", ("product.capacitance", "product.conductor")),
    Bad("product-at-unknown", BAND + 'high = { at = "product.dielektric" }', "high.at", "has no value 'dielektric'", "product.dielectric", ("product.impedance",)),
    Bad("product-tolerance-unknown", BAND + 'target = "4.80 mm"\ntolerance = "product.condctor"\nhigh = {}', "tolerance", "has no value 'condctor'", "product.conductor"),
    Bad("product-height-unknown", FLAW + 'height = "product.dielectic"', "height", "has no value 'dielectic'", "product.dielectric"),
    Bad("product-required-unknown", UNTESTED + 'required = "product.impedanze"\nrule = "9-cycles"\nfrequency = "3 kHz"', "required", "has no value 'impedanze'", "product.impedance"),
    Bad("product-limits-unknown", DRIFT + 'limits = "product.dielectrc"', "limits", "has no value 'dielectrc'", "product.dielectric", ("product.capacitance",)),
    Bad("product-mean-unknown", DRIFT + 'mean = "product.dielectrc"', "mean", "has no value 'dielectrc'", "product.dielectric"),
    Bad("product-conductor-unknown", PERIODIC + 'amplitude = "6 um"\nreturn_loss = "20 dB"\nconductor = "product.conducter"', "conductor", "has no value 'conducter'", "product.conductor"),
    Bad("product-at-of-another-unit", BAND + 'high = { at = "product.impedance" }', "high.at", "product.impedance of product K75-480 has the wrong dimension: it is in ohm"),
    Bad("product-with-two-numbers", FLAW + 'height = "product.dielectric"', "height", "is a target with a tolerance, and a distance is asked for"),
    Bad("product-without-tolerance", 'kind = "band"\nclass = "product"\nreads = "cold-gauge.impedance"\ntarget = "product.impedance"\nhigh = {}', "tolerance", "has no tolerance in product"),
    Bad("band-foretold-without-tolerance", DRIFT.replace("diameter", "impedance") + 'limits = "product.impedance"', "limits", "no tolerance, so there is no band"),
    Bad("mean-in-bar", DRIFT + 'mean = "4.8 bar"', "mean", "4.8 bar has the wrong dimension"),
    # ---- names
    Bad("unknown-kind", 'kind = "bnad"\nclass = "product"', "kind", "there is no kind 'bnad'", "band", ("flaw", "end_of")),
    Bad("no-kind", 'class = "product"', "", "the key kind is missing"),
    Bad("unknown-key", BIT + 'respons = "r"', "respons", "there is no such key", "response"),
    Bad("unknown-key-of-a-limit", LEVEL + 'high = { at = "26 degC", prioritty = "low" }', "high.prioritty", "there is no such key", "priority"),
    Bad("key-of-another-kind", BIT + 'deadband = "1 mm"', "deadband", "there is no such key"),
    Bad("unknown-tag", STUCK.replace("cold-gauge.x", "cold-gauge.xx") + 'for = "5 m"', "reads", 'there is no tag "cold-gauge.xx"', "cold-gauge.x"),
    Bad("unknown-tag-of-two", FLAW.replace("cold-gauge.y_max", "cold-gauge.y_mx") + 'height = "0.06 mm"', "reads[1]", 'there is no tag "cold-gauge.y_mx"', "cold-gauge.y_max"),
    Bad("tag-without-station", LEVEL.replace("trough.water", "water") + 'high = { at = "26 degC" }', "reads", "a tag is written station.tag"),
    Bad("unknown-setpoint", LEVEL + 'target = "trough.watr"\ntolerance = "1 degC"\nhigh = {}', "target", "is no quantity, tag or product value", "trough.water"),
    Bad("unknown-station", COUNT + 'counts = { flaw = "lump" }\nlimit = 4\nper = "10 m"\nwet = { station = "cold-guage", carried_by = "hot-gauge" }', "wet.station", "there is no station 'cold-guage'", "cold-gauge"),
    Bad("unknown-take-up", END_OF + 'length_of = "reel"\nfull = "6 km"\nmetres = "60 m"\nstation = "takeup"', "station", 'there is no station "takeup"', "take-up"),
    Bad("unknown-class", 'kind = "bit"\nclass = "produkt"\nreads = "spark-tester.voltage_on"', "class", '"produkt" is not one of them', "product"),
    Bad("unknown-priority", BIT + 'priority = "urgent"', "priority", '"urgent" is not one of them', allowed=("low", "critical")),
    Bad("unknown-direction", FLAW.replace('direction = "lump"', 'direction = "up"') + 'height = "0.06 mm"', "direction", "is not one of them"),
    Bad("unknown-method", DRIFT + 'method = "cusm"', "method", "is not one of them", "cusum"),
    # ---- what must stand there
    Bad("critical-without-response", BIT + 'priority = "critical"', "response", "is critical and says nothing of what to do"),
    Bad("critical-limit-without-response", LEVEL + 'high = { at = "26 degC", priority = "critical", response = " " }', "high.response", "is critical and says nothing"),
    Bad("blind-without-after", LEVEL + 'high = { at = "26 degC" }\nblind = { priority = "low" }', "blind.after", "the key is missing"),
    Bad("no-class", 'kind = "bit"\nreads = "spark-tester.voltage_on"', "class", "the key is missing", allowed=("product", "system")),
    Bad("count-without-limit", COUNT + 'reads = "spark-tester.faults"\nper = "1 km"', "limit", "the key is missing"),
    Bad("respond-within-0", BIT + 'respond_within = "0 s"', "respond_within", "must be more than 0"),
    # ---- what a rule counts, and its witness
    Bad("count-of-a-band", COUNT + 'counts = { flaw = "water" }\nlimit = 4\nper = "10 m"', "counts.flaw", "water is of kind band and tells no flaws", allowed=("lump", "neck")),
    Bad("count-of-nothing", COUNT + 'counts = { flaw = "lumpp" }\nlimit = 4\nper = "10 m"', "counts.flaw", 'there is no rule "lumpp"', "lump"),
    Bad("drops-of-a-neck", COUNT + 'counts = { flaw = "neck", verdict = "drop" }\nlimit = 4\nper = "10 m"', "counts.verdict", 'neck has no witness and never says "drop"', allowed=("neck", "any")),
    Bad("necks-of-a-lump", COUNT + 'counts = { flaw = "lump", verdict = "neck" }\nlimit = 4\nper = "10 m"', "counts.verdict", "lump looks for a lump and never says"),
    Bad("count-of-both", COUNT + 'reads = "spark-tester.faults"\ncounts = { flaw = "lump" }\nlimit = 4\nper = "10 m"', "", "either a counter tag or the flaws of a rule"),
    Bad("cluster-longer-than-per", COUNT + 'reads = "spark-tester.faults"\nlimit = 4\nper = "10 m"\ncluster = { limit = 2, within = "1 km" }', "cluster.within", "is not shorter than per"),
    Bad("negative-count", COUNT + 'reads = "spark-tester.faults"\nlimit = -1\nper = "10 m"', "limit", "greater than or equal to 0"),
    # design.md 5.6: max_length >= 2 x up_to_speed x read interval + 20 mm: 2 x 80/60 m/s x 20 ms + 20 mm = 73 mm
    Bad("witness-too-short", FLAW + 'height = "0.06 mm"\nwitness = { reads = "hot-gauge.x_max", max_length = "73 mm", up_to_speed = "80 m/min" }', "witness.max_length", "+ 20 mm = 73 mm"),
    Bad("witness-downstream", FLAW.replace("cold-gauge", "hot-gauge") + 'height = "0.06 mm"\nwitness = { reads = "cold-gauge.x_max", max_length = "100 mm" }', "witness.reads", "must stand upstream"),
    Bad("witness-of-a-neck", FLAW.replace("_max", "_min").replace("lump", "neck") + 'height = "0.06 mm"\nwitness = { reads = "hot-gauge.x_max", max_length = "100 mm" }', "witness", "a neck rule has no witness"),
    Bad("lumps-of-a-minimum", FLAW.replace("x_max", "x_min") + 'height = "0.06 mm"', "reads", 'holds "min" and cannot show a lump'),
    # ---- alarms that explain each other
    Bad("because-of-itself", BIT + 'because_of = ["because-of-itself.set"]', "because_of", "explained in a circle: because-of-itself ← because-of-itself"),
    Bad("one-of-two", BIT + 'because_of = ["two-of-two.set"]\n[rule.two-of-two]\n' + BIT + 'because_of = ["one-of-two.set"]', "because_of", "one-of-two ← two-of-two ← one-of-two"),
    Bad("one-of-three", BIT + 'because_of = ["two-of-three.set"]\n[rule.two-of-three]\n' + BIT + 'because_of = ["three-of-three.set"]\n[rule.three-of-three]\n' + BIT + 'because_of = ["one-of-three.set"]', "because_of", "one-of-three ← two-of-three ← three-of-three ← one-of-three"),
    Bad("because-of-nothing", BIT + 'because_of = ["water.hihg"]', "because_of[0]", 'there is no alarm "water.hihg"', "water.high"),
    Bad("because-of-a-rule", BIT + 'because_of = ["water"]', "because_of[0]", "an alarm is written rule.limit"),
    # ---- expressions
    Bad("no-cel", CONDITION + 'expression = "producing &&"', "expression", "is no CEL expression"),
    Bad("unknown-name", CONDITION + 'expression = "prodcing"', "expression", "'prodcing' is not known in an expression"),
    Bad("no-truth", CONDITION + 'expression = "speed"', "expression", "must give true or false"),
    Bad("wrong-type", CONDITION + 'expression = "speed + producing > 1.0"', "expression", "it fails while stopped"),
    Bad("whole-and-decimal", CONDITION + "expression = 'value[\"trough.water\"] * 2 > 50.0'", "expression", "write 2.0, not 2, in sums"),
    Bad("unknown-tag-in-cel", CONDITION + "expression = 'value[\"trough.watr\"] > 50.0'", "expression", 'there is no tag "trough.watr"', "trough.water"),
    Bad("unknown-alarm-in-cel", BIT + "when_now = '!alarm[\"water.hihg\"]'", "when_now", 'there is no alarm "water.hihg"', "water.high"),
    Bad("when-with-unknown-state", BIT + 'when = "runing"', "when", "'runing' is not known in an expression", ""),
    # ---- series
    Bad("unequal-lists", BIT + 'for_each = { a = ["1", "2"], b = ["1"] }', "for_each", "write one placeholder with its words"),
    Bad("word-twice", BIT + 'cause = "{a}"\nfor_each = { a = ["1", "1"] }', "for_each.a[1]", '"1" stands twice'),
    Bad("placeholder-unknown", BIT + 'cause = "{a} {b}"\nfor_each = { a = ["1", "2"] }', "cause", "{b} stands for nothing", "", ("{a}",)),
    Bad("placeholder-nowhere", BIT + 'for_each = { a = ["1", "2"] }', "for_each", "{a} stands nowhere in the rule"),
    # ---- what cannot work
    Bad("window-too-short", PERIODIC + 'amplitude = "6 um"\nover = "20 m"\nstep = "20 m"', "over", "too short for periods up to 20 m"),
    Bad("period-of-extremes", PERIODIC.replace("diameter", "x_max") + 'amplitude = "6 um"', "reads", "extremes bend a wave out of shape"),
    Bad("too-little-to-learn", DRIFT + 'learn = "20 m"', "learn", "too few to learn from"),
    Bad("disagrees-with-itself", DISAGREE + 'against = "cold-gauge.diameter"\ntolerance = "0.02 mm"', "against", "cannot disagree with itself"),
    Bad("no-frequency", UNTESTED + 'required = "3 kV"\nrule = "9-cycles"', "frequency", "needs the frequency of the tester"),
    Bad("required-in-mm", UNTESTED + 'required = "3 mm"\nrule = "9-cycles"\nfrequency = "3 kHz"', "required", "3 mm has the wrong dimension"),
    Bad("full-beside-reads", END_OF + 'reads = "accumulator.content"\nfull = "6 km"\nmetres = "60 m"', "full", 'belongs to length_of = "reel"'),
    Bad("end-of-nothing", END_OF + 'metres = "60 m"', "reads", "one of them"),
    Bad("silent-for-0", MISSING + 'for = "0 s"', "for", "must be more than 0"),
    Bad("rate-backwards", RATE + 'over = "20 s"\nfalling = { at = "-60 bar/min" }', "falling.at", "must be more than 0"),
]  # fmt: skip
IDS = [bad.name for bad in BAD]


def _faults(folder: Path, rules: str, line: str = "") -> tuple[Fault, ...]:
    if not (folder / "products").exists():
        (folder / "products").symlink_to(CONFIG / "products")
    text = (CONFIG / "core-3.toml").read_text(encoding="utf-8").replace('"foam-core.toml"', '"bad.toml"')
    text = text.replace(', 50 = "k50-124"', "")  # setpoints in these rules are of small cores
    (folder / "line.toml").write_text(text + line, encoding="utf-8")
    (folder / "bad.toml").write_text(rules, encoding="utf-8")
    with pytest.raises(ConfigurationError) as error:
        load_line(folder / "line.toml", environ={})
    return error.value.faults


def _written(bad: Bad) -> str:
    return f"[rule.{bad.name}]\n{bad.table}\n"


def _path(bad: Bad) -> str:
    return f"rule.{bad.name}" + (f".{bad.key}" if bad.key else "")


def _line_of(rules: str, bad: Bad) -> int:
    """The line on which the key stands that is named, or the rule's head where it is not there."""
    lines = rules.splitlines()
    head = lines.index(f"[rule.{bad.name}]")
    key = re.split(r"[.\[]", bad.key)[0]
    for number in range(head + 1, len(lines)):
        if lines[number].startswith("["):
            break
        if key and re.match(rf"{key}\s*=", lines[number]):
            return number + 1
    return head + 1


def _check(fault: Fault, bad: Bad, rules: str) -> None:
    assert Path(fault.file).name == "bad.toml"
    assert fault.line == _line_of(rules, bad), fault
    assert bad.words in fault.wrong
    if bad.nearest:
        assert fault.nearest == bad.nearest
    assert set(bad.allowed) <= set(fault.allowed)


def test_what_stands_beside_them_is_good(tmp_path):
    """A fault of the line file, so that there is one to tell; none in the rules."""
    faults = _faults(tmp_path, GOOD, "\n[override.nothing]\nkind = 'bit'\n")
    assert [fault.key_path for fault in faults] == ["override.nothing"]


@pytest.mark.parametrize("bad", BAD, ids=IDS)
def test_a_bad_rule_is_refused_once_and_at_its_place(bad, tmp_path):
    rules = GOOD + _written(bad)
    faults = _faults(tmp_path, rules)
    assert [fault.key_path for fault in faults] == [_path(bad)], [str(fault) for fault in faults]
    _check(faults[0], bad, rules)


def test_all_of_them_in_one_file_are_told_at_once(tmp_path):
    rules = GOOD + "".join(map(_written, BAD))
    faults = {fault.key_path: fault for fault in _faults(tmp_path, rules)}
    assert set(faults) == {_path(bad) for bad in BAD}
    for bad in BAD:
        _check(faults[_path(bad)], bad, rules)


@pytest.mark.parametrize(
    ("over", "key", "words", "nearest"),
    [
        ('[override.watr]\nreads = "trough.water"', "override.watr", 'there is no rule "watr" to override', "water"),
        ('[override.water]\nhihg = { at = "27 degC" }', "override.water.hihg", "there is no such key", "high"),
        ('[override.water]\nhigh = { att = "27 degC" }', "override.water.high.att", "there is no such key", "at"),
        ('[override.water]\nhigh = { at = "27 mm" }', "override.water.high.at", "wrong dimension", ""),
        ('[override.water]\nlow = { at = "27 degC" }', "rule.water.high", "contradicts low", ""),
        ("[override]\nwater = 3", "override.water", "a table is expected", ""),
    ],
)
def test_a_bad_override(tmp_path, over, key, words, nearest):
    (fault,) = _faults(tmp_path, GOOD, f"\n{over}\n")
    assert (fault.key_path, fault.nearest) == (key, nearest)
    assert words in fault.wrong
