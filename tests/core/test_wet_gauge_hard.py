"""The wet gauge at its hardest, one seed a case (`bars_wet_gauge_hard.py` runs many): no lump is missed that was shown."""

import msgspec
import pytest

from metrepost_sim.score import score_files
from metrepost_sim.score_card import BLIND, WITNESSED
from support_bars import bars_line, run_scenario, with_rules
from support_hard import CASES


@pytest.fixture(scope="module")
def line():
    return with_rules(bars_line(), witness="peak-hold")


def judged(line, case, folder):
    scenario, polling = case
    truth, events, _ = run_scenario(scenario, polling, line, folder)
    return score_files(truth, events)


@pytest.mark.parametrize("name", CASES)
def test_no_lump_is_missed_that_the_witness_saw_or_nobody_looked_at(line, name, tmp_path):
    score = judged(line, CASES[name](3), tmp_path)
    assert score.lumps >= 20
    assert score.missed_clear == 0, score.missed
    assert score.unlisted_clear == 0


@pytest.mark.parametrize("shift", [-0.12, 0.12])
def test_gauges_that_stand_at_the_limit_of_registration_from_where_they_are_said_to(line, shift, tmp_path):
    hot = line.plan.stations["hot-gauge"]
    stations = {**line.plan.stations, "hot-gauge": msgspec.structs.replace(hot, position=hot.position + shift)}
    moved = msgspec.structs.replace(line, plan=msgspec.structs.replace(line.plan, stations=stations))
    score = judged(moved, CASES["drops_on_lumps"](4), tmp_path)
    assert score.lumps_shown[WITNESSED].shown > 40
    assert score.missed_clear == 0, score.missed


def test_lumps_born_late_at_one_spacing_are_reclassified(line, tmp_path):
    score = judged(line, CASES["born_late_and_recurring"](5), tmp_path)
    row = score.lumps_shown[BLIND]
    assert row.shown >= 20
    assert row.missed <= 0.2 * row.shown, "the recurring spacing gives nearly all of them away"
    assert row.listed + row.near >= row.missed
