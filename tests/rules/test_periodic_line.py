"""`periodic` as shipped, on the simulated line: silent with the prints of healthy screws and wheels, and telling with those of bad ones."""

from dataclasses import replace
from pathlib import Path

import pytest

from metrepost.assembly import assemble
from metrepost.configuration.load import load_line
from metrepost.core import Event
from metrepost.events import AlarmEvent
from metrepost_sim.direct import DirectLine, Polling
from metrepost_sim.scenarios import healthy

LINE = Path(__file__).parents[2] / "config" / "core-3.toml"
TAGS = frozenset(
    {
        "capstan.length",
        "capstan.speed",
        "cold-gauge.x",
        "cold-gauge.y",
        *(f"{s}-extruder.screw" for s in ("foam", "inner", "outer")),
    }
)


def told(seconds=190.0, speed=90.0, **surface):
    """What `diameter-period` says of a line of that surface: two looks at 200 m each."""
    scenario = healthy(5, speed=speed, duration=seconds, drops=0.0)
    source = DirectLine(replace(scenario, surface=replace(scenario.surface, **surface)), Polling(tags=TAGS))
    core = assemble(load_line(LINE))
    found = [o.data for item in source.inputs(seconds) for o in core.feed(item) if isinstance(o, Event)]
    return [e for e in found if isinstance(e, AlarmEvent) and e.rule == "diameter-period" and e.transition == "raised"]


@pytest.mark.parametrize("speed", [90.0, 180.0])
def test_the_prints_of_a_healthy_line_are_silent(speed):
    """At 180 m/min readings lie 60 mm apart, and every period may be another."""
    assert told(seconds=285.0 / (speed / 60.0), speed=speed) == []


@pytest.mark.parametrize(
    ("surface", "words"),
    [
        ({"haul_off": 0.02}, ["fits haul-off", "1.570 m"]),
        ({"screw": 0.02}, ["fits foam-screw", "1.875 m"]),  # 90 m/min over 48 1/min
        ({"haul_off": 0.009, "haul_off_length": 0.71}, ["fits no declared part", "0.710 m"]),
    ],
)
def test_the_part_that_prints_too_much_is_named(surface, words):
    alarm, *_ = told(**surface)
    for word in words:
        assert word in alarm.explanation
