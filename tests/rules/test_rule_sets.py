"""Shipped rule sets: every alarm rationalized, every station watched, one set for small and large cores, through the core."""

import math
import random
import tomllib
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from metrepost.assembly import assemble
from metrepost.configuration.load import load_line
from metrepost.core import Event
from metrepost.events import AlarmEvent
from metrepost.physics import coax
from metrepost.readings import Reading
from metrepost.rules.end_of import EndOfSettings
from metrepost_sim.direct import START, DirectLine, Polling
from metrepost_sim.flaws import Flaw
from metrepost_sim.scenario import Scenario, Surface
from metrepost_sim.scenarios import steady

ROOT = Path(__file__).parents[2]
LINE = ROOT / "config" / "core-3.toml"
SMALL, LARGE = 75, 50
DIE_AT_COLD = 4.5
"""Reference (capstan, 66 m) less position of the cold gauge (61.5 m): its metre at length 0."""


@pytest.fixture(scope="module")
def line():
    return load_line(LINE, environ={})


# ---- every alarm is one to which somebody can respond


RECORD = ("priority", "cause", "consequence", "response", "respond_within")


def written(table, limits):
    """The records as they are written: priority has a default, and a default is nobody's decision."""
    own = {limit: table.get(limit) if isinstance(table.get(limit), dict) else table for limit in limits}
    return own | ({"blind": table["blind"]} if "blind" in table else {})


@pytest.mark.parametrize("file", sorted((ROOT / "rules").glob("*.toml")), ids=lambda f: f.name)
def test_every_alarm_is_rationalized(line, file):
    settings = dict(line.rules)
    wanting = []
    for name, table in tomllib.loads(file.read_text("utf-8"))["rule"].items():
        assert name in settings, f"{file.name}: no line that is shipped uses {name}"
        wanting += [f"{name}: class"] if not table.get("class") else []
        for limit, record in written(table, settings[name].limits()).items():
            wanting += [f"{name}.{limit}: {key}" for key in RECORD if not record.get(key)]
    assert wanting == []


def test_every_station_with_tags_has_a_rule(line):
    stations = {tag.station for tag in line.plan.tags.values()}
    watched = {line.plan.tags[tag].station for _, settings in line.rules for tag in settings.tags()}
    watched |= {settings.station for _, settings in line.rules if isinstance(settings, EndOfSettings)}
    assert stations - watched == set()
    assert len(stations) > 12


# ---- the products


@pytest.mark.parametrize("key", ["75", "76", "50"])
def test_a_product_agrees_with_the_physics_of_its_diameters(line, key):
    """Capacitance and velocity that go with impedance and diameters (Pozar, Microwave Engineering, line parameters; from memory)."""
    values = line.plan.product.products[key].values
    inner, outer = values["conductor"].target, values["dielectric"].target
    permittivity = (coax.impedance(inner, outer, 1.0) / values["impedance"].target) ** 2
    assert values["capacitance"].target == pytest.approx(1e12 * coax.capacitance(inner, outer, permittivity), abs=0.01)
    assert values["velocity"].target == pytest.approx(coax.velocity_factor(permittivity), abs=0.005)


def test_the_large_product_differs_where_its_size_does(line):
    small, large = line.plan.product.products["75"].values, line.plan.product.products["50"].values
    assert set(small) == set(large)
    assert (small["dielectric"].tolerance, large["dielectric"].tolerance) == (pytest.approx(0.05), pytest.approx(0.10))
    rules = {rule.name: rule for rule in line.build_rules()}
    lump = rules["cold-lump"]._heights
    assert [lump.of(line.plan.product.products[key]) for key in ("75", "50")] == pytest.approx([0.06, 0.12])


# ---- through the core

STILL = Surface(drift=0.0, screw=0.0, haul_off=0.0, ovality=0.0, noise=0.0)
COUNTER = frozenset({"capstan.length", "capstan.speed", "plc.recipe"})
COLD = COUNTER | {f"cold-gauge.{tag}" for tag in ("x", "y", "x_max", "y_max")}
PEAKS = COUNTER | {f"{gauge}-gauge.{axis}_max" for gauge in ("hot", "cold") for axis in "xy"}
CAPACITANCE = COUNTER | {"capacitance-gauge.capacitance"}


def raised(line, scenario: Scenario, tags, change=None):
    """Alarms raised by the rules of the set on a simulated run; `change` gets each reading and gives the one that is fed."""
    core, found = assemble(line), []
    for item in DirectLine(scenario, Polling(tags=frozenset(tags))).inputs():
        if change is not None and isinstance(item, Reading):
            item = change(item)
        found += [each.data for each in core.feed(item) if isinstance(each, Event) and isinstance(each.data, AlarmEvent)]
    return [alarm for alarm in found if alarm.transition == "raised"]


def still(recipe, seconds, speed=40.0, flaws=()):
    return replace(steady(3, speed=speed, duration=seconds), recipe=recipe, surface=STILL, flaws=flaws)


@pytest.mark.parametrize(
    ("recipe", "height", "told"), [(LARGE, 0.117, False), (LARGE, 0.123, True), (SMALL, 0.057, False), (SMALL, 0.063, True)]
)
def test_a_lump_alarms_just_over_the_limit_of_its_product_and_not_just_under(line, recipe, height, told):
    metre = 1000.0 + DIE_AT_COLD + 75.0  # past the hot gauge within the run: it has a witness
    alarms = raised(line, still(recipe, 130.0, flaws=(Flaw("lump", metre, height, 0.06),)), PEAKS)
    lumps = [alarm for alarm in alarms if alarm.rule == "cold-lump"]
    assert len(lumps) == told
    for lump in lumps:
        assert lump.metre == pytest.approx(metre, abs=0.1)


@pytest.mark.parametrize(
    ("recipe", "off", "told"),
    [(LARGE, 0.08, set()), (LARGE, 0.12, {"cold-diameter.high"}), (SMALL, 0.08, {"cold-diameter.high"})],
)
def test_a_diameter_0_08_mm_off_is_inside_for_the_large_core_and_outside_for_the_small_one(line, recipe, off, told):
    def thicker(reading):
        return msgspec.structs.replace(reading, value=reading.value + off) if reading.tag in COLD - COUNTER else reading

    alarms = raised(line, still(recipe, 60.0), COLD, thicker)
    assert {alarm.alarm for alarm in alarms if alarm.rule == "cold-diameter"} == told


@pytest.mark.parametrize(
    ("recipe", "slope", "told"), [(SMALL, -0.002, ["down"]), (SMALL, 0.0, []), (LARGE, 0.002, ["up"]), (LARGE, 0.0, [])]
)
def test_capacitance_that_drifts_slowly_is_foretold_and_steady_noise_is_not(line, recipe, slope, told):
    """pF/m per metre, from 500 m on; the chart has learned by then."""
    dice = random.Random(5)
    target = line.plan.product.products[str(recipe)].values["capacitance"].target
    speed = 120.0

    def drifting(reading):
        if reading.tag != "capacitance-gauge.capacitance" or not math.isfinite(reading.value):
            return reading
        gone = max(0.0, (reading.time - START) * speed / 60.0 - 500.0)
        return msgspec.structs.replace(reading, value=target + dice.gauss(0.0, 0.1) + slope * gone)

    alarms = raised(line, still(recipe, 450.0, speed), CAPACITANCE, drifting)
    drift = [alarm for alarm in alarms if alarm.rule == "capacitance-drift"]
    assert [alarm.limit for alarm in drift[:1]] == told
    if told:
        bands = [alarm for alarm in alarms if alarm.rule == "capacitance"]
        assert not [band for band in bands if band.decided <= drift[0].decided], "told before the band is broken"
