"""One mark has one metre: the same lump at hot and cold gauge, and its truth, through everything a counter can do."""

import math
from dataclasses import replace

import msgspec
import pytest

from metrepost.assembly import assemble
from metrepost.events import Event
from metrepost.readings import Tick
from metrepost_sim.counter import CounterFault
from metrepost_sim.direct import DirectLine
from metrepost_sim.flaws import Flaw
from metrepost_sim.scenario import Scenario, SpeedPoint
from support_bars import bars_line, polling, with_rules

HOT_TO_COLD = 60.0


@pytest.fixture(scope="module")
def line():
    return with_rules(bars_line(), witness="peak-hold")


def marked_line(speed, *, start=1000.0, faults=()):
    """Round lumps every 9 m, alike for both gauges."""
    metres_per_second = speed / 60
    flaws = tuple(Flaw("lump", start + 75.0 + 9.0 * n, 0.2, 0.03, 0.0, 360.0, "die") for n in range(18))
    duration = 190.0 / metres_per_second
    return Scenario(
        "marks",
        1,
        duration,
        speed,
        (SpeedPoint(0.0, float(speed)),),
        flaws=flaws,
        counter_start=start,
        counter_faults=faults,
    )


def judged(line, scenario, restart_at=None):
    """Flaw events by station, in order; with a restart of the core (snapshot, downtime, restore) at a moment."""
    core = assemble(line)
    found = {"hot-gauge": [], "cold-gauge": []}
    begun = None
    down_until = None
    for item in DirectLine(scenario, polling("peak-hold")):
        if isinstance(item, Tick):
            begun = begun or item.time
            if restart_at is not None and item.time - begun > restart_at:
                saved = msgspec.json.decode(msgspec.json.encode(core.snapshot()))
                core = assemble(line)
                core.restore(saved)
                down_until, restart_at = item.time + 5.0, None
        if down_until is not None and getattr(item, "time", 0.0) < down_until:
            continue
        for told in core.feed(item):
            if isinstance(told, Event) and told.data.kind == "flaw":
                found[told.data.station].append(0.5 * (told.data.start + told.data.end))
    return found, core


def check(line, found, scenario, *, seen_by_both):
    speed = scenario.speed / 60
    allowed = line.plan.axis.registration.between(HOT_TO_COLD, speed) + speed * 0.02
    truth = [f.metre for f in scenario.flaws]
    pairs = 0
    for metre in truth:
        hot = [m for m in found["hot-gauge"] if abs(m - metre) < 4]
        cold = [m for m in found["cold-gauge"] if abs(m - metre) < 4]
        if hot and cold:
            pairs += 1
            assert abs(hot[0] - cold[0]) <= allowed
    assert pairs >= seen_by_both
    return pairs


FAULTS = {
    "steady": (),
    "zero": (CounterFault("zero", 0.55),),
    "jump": (CounterFault("jump", 0.55, amount=250.0),),
    "zero and jump": (CounterFault("zero", 0.4), CounterFault("jump", 0.7, amount=-40.0)),
}


@pytest.mark.parametrize("speed", [20, 80, 250])
@pytest.mark.parametrize("fault", FAULTS)
def test_marks_agree_within_registration(line, speed, fault):
    scenario = marked_line(speed)
    faults = tuple(replace(f, at=f.at * scenario.duration) for f in FAULTS[fault])
    scenario = replace(scenario, counter_faults=faults)
    found, core = judged(line, scenario)
    assert check(line, found, scenario, seen_by_both=8)
    # bridges leave a bounded doubt behind, and it is stated
    doubt = core.axis.place(core.now).uncertainty
    assert doubt < 0.5 if faults else doubt < 0.05


@pytest.mark.parametrize("speed", [20, 80, 250])
def test_marks_agree_over_a_wrap(line, speed):
    scenario = marked_line(speed, start=100_000.0 - 110.0)
    found, core = judged(line, scenario)
    assert check(line, found, scenario, seen_by_both=8)
    assert core.axis.place(core.now).length > 100_000.0


@pytest.mark.parametrize("speed", [20, 80, 250])
def test_marks_agree_over_a_restart_of_the_daemon(line, speed):
    scenario = marked_line(speed)
    found, _ = judged(line, scenario, restart_at=0.6 * scenario.duration)
    assert check(line, found, scenario, seen_by_both=6 if speed < 200 else 3)


def test_a_mark_lies_where_the_truth_says(line):
    scenario = marked_line(80)
    found, _ = judged(line, scenario)
    for metre in found["cold-gauge"]:
        nearest = min((f.metre for f in scenario.flaws), key=lambda t: abs(t - metre))
        assert math.isclose(metre, nearest, abs_tol=0.06)
