"""The shipped rule set and the examples of its reference, against the demonstration line."""

from dataclasses import replace
from pathlib import Path

import pytest

from metrepost.assembly import assemble
from metrepost.configuration.load import load_line
from metrepost.core import Event
from metrepost.events import AlarmEvent, DropEvent, SparkEvent, StretchEvent
from metrepost.rules.kinds import KINDS
from metrepost_sim.direct import START, DirectLine, Polling
from metrepost_sim.scenario import Disturbance
from metrepost_sim.scenarios import demo, healthy

ROOT = Path(__file__).parents[2]
LINE = ROOT / "config" / "core-3.toml"


@pytest.fixture(scope="module")
def line():
    return load_line(LINE)


def events(line, scenario, seconds):
    core, source = assemble(line), DirectLine(scenario)
    return [each for item in source.inputs(seconds) for each in core.feed(item) if isinstance(each, Event)]


def alarms(found):
    return [each.data.alarm for each in found if isinstance(each.data, AlarmEvent) and each.data.transition == "raised"]


def test_every_alarm_has_a_cause_a_consequence_and_a_response(line):
    for name, settings in line.rules:
        for limit, text in settings.limits().items():
            assert text.cause, f"{name}.{limit}"
            assert text.consequence, f"{name}.{limit}"
            assert text.response, f"{name}.{limit}"
            if text.priority in ("high", "critical"):
                assert text.respond_within is not None, f"{name}.{limit}"


def test_the_set_uses_every_kind(line):
    assert {settings.kind for _, settings in line.rules} == set(KINDS)


def test_a_healthy_line_is_silent(line):
    """From the moment on at which the cable before the cold gauge has passed the hot one: water before that has no witness."""
    found = [each for each in events(line, healthy(seed=7, drops=8.0), 100.0) if each.time > START + 45.0]
    assert alarms(found) == []
    assert any(isinstance(each.data, DropEvent) for each in found), "there was water to be silent about"


def test_the_demonstration_shows_every_class(line):
    found = events(line, demo(seed=1), 80.0)
    raised = set(alarms(found))
    assert {
        "cold-lump.lump", "cold-neck.neck", "conductor-diameter.low", "nitrogen.low", "water.high", "wipe-air.low",
        "wipe-failing.over", "spark-faults.over",
    } <= raised  # fmt: skip
    assert [each.data.faults for each in found if isinstance(each.data, SparkEvent)] == [1, 1]
    wet = [each.data for each in found if isinstance(each.data, StretchEvent) and each.data.mark == "wet"]
    assert [stretch.open for stretch in wet] == [True, False]


def test_the_reference_names_every_kind_and_every_key():
    text = (ROOT / "rules" / "README.md").read_text()
    for kind, settings in KINDS.items():
        assert f"## `{kind}`" in text
        for name, field in settings.model_fields.items():
            assert f"`{field.alias or name}`" in text or f"{field.alias or name} = " in text, f"{kind}: {name}"


CAPSTAN_AND_COLD = frozenset({"capstan.length", "capstan.speed", "cold-gauge.x", "cold-gauge.y"})


@pytest.mark.parametrize(("gas", "limit"), [(-6.0, "down"), (0.0, None)])
def test_a_slow_drift_of_the_simulated_line_is_foretold_and_a_healthy_one_is_not(line, gas, limit):
    """Nitrogen creeps over five minutes and the diameter follows; the band is named before it breaks."""
    scenario = replace(
        healthy(3, duration=620.0, drops=0.0), disturbances=(Disturbance("nitrogen", 300.0, gas, rise=280.0, hold=30.0),)
    )
    core, source = assemble(line), DirectLine(scenario, Polling(tags=CAPSTAN_AND_COLD))
    found = [o for item in source.inputs(620.0) for o in core.feed(item) if isinstance(o, Event)]
    raised = [e.data for e in found if isinstance(e.data, AlarmEvent) and e.data.transition == "raised"]
    told = [a for a in raised if a.rule == "diameter-drift"]
    assert [a.limit for a in told[:1]] == ([limit] if limit else [])
    if limit:
        assert "it reaches 4.750 mm in about" in told[0].explanation
        broken = [a for a in raised if a.rule == "cold-diameter"]
        assert not broken or told[0].decided < broken[0].decided
