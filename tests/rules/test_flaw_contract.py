"""`flaw` goes through the battery that every kind must pass, with and without a witness."""

import random

import pytest
from pydantic import ValidationError

from metrepost.readings import BAD
from metrepost.rules.flaw import FlawSettings
from metrepost.rules.witness import WitnessTag
from support_gauges import GaugeSite
from support_rules import T0, FakeView, Step, check_rule, measured, settings_of, take

HOT, COLD, REFERENCE = 57.5, 61.5, 66.0  # gauges 4 m apart, so that the battery stays short
EVERY, STEP = 0.02, 0.025
BASE = {
    "kind": "flaw",
    "class": "product",
    "reads": ["cold.x_max", "cold.y_max"],
    "direction": "lump",
    "baseline": "1 m",
    "height": "0.06 mm",
}
WITNESS = {"witness": {"reads": ["hot.x_max", "hot.y_max"], "max_length": "100 mm", "up_to_speed": "80 m/min"}}


class NearSite(GaugeSite):
    """Both gauges near each other."""

    def __init__(self):
        super().__init__()
        self.stations = {
            "hot": type(self.stations["hot"])("hot", HOT, 0.001),
            "cold": type(self.stations["cold"])("cold", COLD, 0.001),
        }


class NearView(FakeView):
    """`metre` is that of the cold gauge."""

    def metre_now(self, station):
        return self.metre + (COLD - HOT if station == "hot" else 0.0)


def build(**keys):
    site = NearSite()
    rule = FlawSettings.model_validate({**BASE, **keys}).build("cold-lump", site)
    assert site.faults == []
    return rule


def cable(metres, lumps, drops):
    """Polls of both gauges: lumps are seen by both, drops by the cold one; each ``(from, to, height)``. Now and then one is lost."""
    dice = random.Random(3)
    steps = []
    for k in range(1, int(metres / STEP)):
        now, cold = T0 + k * EVERY, k * STEP
        for station, metre, seen in (("hot", cold + COLD - HOT, lumps), ("cold", cold, [*lumps, *drops])):
            rise = max((h for a, b, h in seen if a < metre and b > metre - STEP), default=0.0)
            for axis in ("x", "y"):
                m = measured(f"{station}.{axis}_max", 4.8 + rise + dice.gauss(0.0, 0.001), now, metre, piece=2 * STEP)
                steps.append(Step("judge", now, cold, m))
        if k % 5 == 0:
            steps.append(Step("tick", now, cold))
    return steps


LUMPS = [(3.0, 3.02, 0.1), (5.0, 5.4, 0.2), (8.0, 8.1, 0.09)]
DROPS = [(4.0, 4.02, 0.2), (6.5, 6.52, 0.1), (7.1, 7.12, 0.1)]


@pytest.mark.parametrize("keys", [{}, WITNESS], ids=["alone", "witnessed"])
def test_contract_battery(keys):
    check_rule(lambda: build(**keys), cable(9.0, LUMPS, DROPS), view=NearView)


def test_a_line_that_stands_keeps_a_bounded_witness_that_still_sees_a_frozen_gauge():
    """A minute at one place, 50 readings a second, must be remembered as the place it is."""
    rule, view = build(**WITNESS), NearView()
    run = cable(9.0, [], [])
    for each in run:
        take(rule, each, view)
    before = len(rule.snapshot()["witness"]["hot.x_max"]["ends"])
    now, cold = run[-1].now, run[-1].metre
    for k in range(1, 3000):
        for axis in ("x", "y"):
            m = measured(f"hot.{axis}_max", 4.8001, now + k * EVERY, cold + COLD - HOT, piece=2 * STEP)
            take(rule, Step("judge", now + k * EVERY, cold, m), view)
    ring = rule.snapshot()["witness"]["hot.x_max"]
    assert len(ring["ends"]) <= before + 32
    assert ring["values"][-10:] == [4.8001] * 10


def test_readings_of_one_place_made_one_keep_what_was_high_and_what_was_doubtful():
    tag = WitnessTag("hot.x_max", 1.0, 20.0, instant=False)
    for k in range(100):
        tag.add(measured("hot.x_max", 4.8 + 0.0001 * (k % 7), T0 + k * EVERY, k * STEP, piece=STEP), hold=False)
    place = 100 * STEP
    for k in range(500):
        value = 4.95 if k == 20 else 4.8 + 0.0001 * (k % 7)
        tag.add(measured("hot.x_max", value, T0 + 2 + k * EVERY, place, piece=STEP), hold=False)
    seen = tag.look(place - STEP, place)
    assert seen.rise == pytest.approx(0.15, abs=0.002)
    assert seen.first_time <= T0 + 2 + EVERY
    assert not seen.doubt
    tag.add(measured("hot.x_max", 4.8, T0 + 20, place, piece=STEP, quality=BAD), hold=False)
    for k in range(500):
        tag.add(measured("hot.x_max", 4.8 + 0.0001 * (k % 7), T0 + 21 + k * EVERY, place, piece=STEP), hold=False)
    assert "not good" in tag.look(place - STEP, place).doubt


LUMP = {"kind": "flaw", "class": "product", "reads": ["gauge.x_max"], "direction": "lump", "height": "0.06 mm"}


def test_a_response_time_of_nothing_is_refused_like_in_every_kind():
    with pytest.raises(ValidationError, match="respond_within"):
        settings_of(LUMP | {"respond_within": "0 s"})
