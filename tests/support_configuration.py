"""A small line in files, a tiny rule kind, and the faults of what is broken on purpose."""

from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict

from metrepost.configuration import ConfigurationError, Fault, LoadedLine, load_line
from metrepost.readings.units import AnyQuantity, Length, LengthOrDuration, UnitError
from metrepost.rules.contract import LimitText, Rule, RuleSettings, Site, Tags

GOOD = """\
format = 1

[line]
plant = "northmere"
area = "extrusion"
name = "core-3"
rules = ["small.toml"]
producing = { speed_above = "10 m/min", hysteresis = "2 m/min", for = "20 m" }
threading = "plc.threading"

[line.stretches]
stop = { before = "5 m", after = "20 m", as = "scrap" }

[product]
name = "K75-480"
conductor = "1.02 mm"
dielectric = { target = "4.80 mm", tolerance = "0.05 mm" }

[length]
counter = "capstan.length"
speed = "capstan.speed"
reference = "capstan"
wraps_at = "100000 m"
resolution = "0.01 m"
max_speed = "300 m/min"

[take_up]
position = "84 m"
cut = "plc.cut"

[rollups]
lengths = ["100 m"]
times = ["10 s"]
tags = ["gauge.diameter"]

[endpoint.gauges]
protocol = "modbus-tcp"
address = "127.0.0.1:5020"
poll = "20 ms"

[endpoint.plc]
protocol = "opcua"
address = "opc.tcp://127.0.0.1:4840"

[station.gauge]
position = "61.5 m"
aperture = "1 mm"
latency = "4 ms"
defaults = { endpoint = "gauges", table = "input", type = "int32", scale = 0.0001, unit = "mm" }
[station.gauge.tags]
x = { register = 200, valid = ["0.5 mm", "20 mm"], on_change = "1 um" }
y = { register = 202 }
x_max = { register = 204, holds = "max", window = "since-read" }
[station.gauge.computed]
diameter = { function = "mean", of = ["x", "y"] }

[station.capstan]
position = "66 m"
defaults = { endpoint = "gauges", table = "holding" }
[station.capstan.tags]
length = { register = 0, type = "uint32", scale = 0.01, unit = "m" }
speed = { register = 2, scale = 0.01, unit = "m/min" }

[station.plc]
position = "0 m"
defaults = { endpoint = "plc" }
[station.plc.tags]
threading = { node = "nsu=urn:northmere:core-3;s=Line.Threading" }
cut = { node = "nsu=urn:northmere:core-3;s=TakeUp.CutCount" }
water = { node = "nsu=urn:northmere:core-3;s=Trough.Temperature", unit = "degC" }

[mqtt]
url = "mqtt://127.0.0.1:1883"
"""

RULES = """\
format = 1

[rule.hot]
kind = "level"
class = "process"
reads = "plc.water"
above = "30 degC"
on_delay = "10 s"
response = "open the cooling valve"

[rule.thick]
kind = "level"
class = "product"
reads = ["gauge.x", "gauge.y"]
above = "4.85 mm"
on_delay = "2 m"
because_of = ["hot.above"]
"""


class Witness(BaseModel):
    """What a rule with a witness has."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    reads: Tags
    max_length: Length


class LevelSettings(RuleSettings):
    """A kind for tests: above a level. Its keys are of every type that real kinds have."""

    kind: Literal["level"] = "level"
    reads: Tags
    above: AnyQuantity
    on_delay: LengthOrDuration | None = None
    direction: Literal["up", "down"] = "up"
    witness: Witness | None = None
    response: str = ""

    def tags(self) -> tuple[str, ...]:
        return self.reads + (self.witness.reads if self.witness else ())

    def limits(self) -> dict[str, LimitText]:
        return {"above": LimitText(response=self.response)}

    def build(self, name: str, site: Site) -> Rule:
        for tag in self.reads:
            try:
                self.above.to(site.tags[tag].unit)
            except UnitError as error:
                site.fail("above", str(error))
        if self.witness is not None and self.witness.max_length < 0.02:
            site.fail("witness.max_length", "too short to be told from a lump", ["20 mm and more"])
        return Rule(name, self)


class CountOf(BaseModel):
    """What a rule that counts another's flaws has."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    flaw: str


class TallySettings(RuleSettings):
    """A kind for tests that reads no tag and counts what another rule tells."""

    counts: CountOf

    def tags(self) -> tuple[str, ...]:
        return ()

    def limits(self) -> dict[str, LimitText]:
        return {"over": LimitText(response="look")}

    def build(self, name: str, site: Site) -> Rule:
        return Rule(name, self)


KINDS: Mapping[str, type[RuleSettings]] = {"level": LevelSettings, "tally": TallySettings}


def written(folder: Path, line: str = GOOD, rules: str = RULES, **files: str) -> Path:
    """Write a line file, its rule file and other files (``__`` in a name is a dot); gives the line file."""
    (folder / "line.toml").write_text(line, encoding="utf-8")
    (folder / "small.toml").write_text(rules, encoding="utf-8")
    for name, text in files.items():
        path = folder / name.replace("__", ".")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder / "line.toml"


def loaded(path: Path, environ: Mapping[str, str] | None = None) -> LoadedLine:
    """Load with the kind of these tests and an environment of its own."""
    return load_line(path, environ=environ or {}, kinds=KINDS)


def faults_of(path: Path, environ: Mapping[str, str] | None = None) -> tuple[Fault, ...]:
    """The faults of a line file; () when it loads."""
    try:
        loaded(path, environ)
    except ConfigurationError as error:
        return error.faults
    return ()


def changed(text: str, old: str, new: str) -> str:
    """`text` with its one `old` replaced."""
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def line_with(text: str, marker: str) -> int:
    """The number of the one line that holds `marker`."""
    found = [number for number, line in enumerate(text.splitlines(), 1) if marker in line]
    assert len(found) == 1, f"{marker!r} is on lines {found}"
    return found[0]
