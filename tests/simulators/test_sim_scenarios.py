from collections import Counter

import numpy as np
import pytest

from metrepost_sim.direct import BIG_BARS, DirectLine, Polling
from metrepost_sim.line import CoreLine
from metrepost_sim.line_file import LineFileError, default_line_file, read_line_file
from metrepost_sim.making import recurring
from metrepost_sim.scenario import ProductChange, ReelChange, Span
from metrepost_sim.scenarios import SCENARIOS, bars, demo, healthy, scenario
from support_simulators import small


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_every_scenario_runs_and_is_a_function_of_its_seed(name):
    one = scenario(name, 3)
    assert one == scenario(name, 3)
    assert one.name == name
    line = DirectLine(one)
    assert sum(1 for _ in line.inputs(duration=4.0)) > 1000
    assert next(line.truth.rows())["scenario"] == name


def test_an_unknown_scenario_says_which_there_are():
    with pytest.raises(ValueError, match="steady, demo, bars, healthy, bad"):
        scenario("quiet")


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_demo_shows_something_of_everything_within_a_minute(seed):
    line = DirectLine(demo(seed))
    for _ in line.inputs(duration=60.0):
        pass
    rows = list(line.truth.rows())
    kinds = Counter(r["kind"] for r in rows)
    assert {"lump", "neck", "drop", "pinhole", "cut", "wipe", "conductor"} <= set(kinds)
    assert sum(r["counted"] for r in rows if r["kind"] == "pinhole") >= 2
    passed = [r for r in rows if r.get("passed") and r["kind"] in ("lump", "drop") and (r["shown_cold"] or 0) > 0.06]
    lumps = [r for r in passed if r["kind"] == "lump"]
    assert sum(r["covered_hot"] and r["shown_hot"] >= 0.03 for r in lumps) >= 2  # with a witness
    assert sum(not r["covered_hot"] for r in lumps) >= 2  # without one
    assert sum(bool(r["covered_hot"]) and r["shown_hot"] < 0.03 for r in passed if r["kind"] == "drop") >= 3
    assert line.line.motion.speed(np.array([40.0, 59.0])).max() * 60.0 < 80.0  # drops can be told from lumps


def test_the_bars_are_as_ordered():
    one = bars(7, lumps=400)
    lumps = sorted(f.metre for f in one.flaws if f.kind == "lump")
    drops = [f for f in one.flaws if f.kind == "drop"]
    assert len(lumps) == 400
    assert np.diff(lumps).min() >= 2.0
    assert len(drops) == pytest.approx(667, abs=90)
    beside = sum(np.abs(np.array(lumps) - d.metre).min() <= 0.3 for d in drops)
    assert beside / len(drops) == pytest.approx(0.10, abs=0.005)
    for flaw in one.flaws:
        if flaw.kind == "lump":
            assert 0.08 <= flaw.height <= 0.21
            assert 0.005 <= flaw.length <= 0.15
            assert 15.0 <= flaw.width <= 360.0
        else:
            assert 0.02 <= flaw.height <= 0.4
            assert 0.002 <= flaw.length <= 0.025


def test_the_bars_hold_lumps_of_every_class():
    line = DirectLine(bars(3, lumps=150), Polling(tags=BIG_BARS))
    for _ in line:
        pass
    rows = [r for r in line.truth.rows() if r["kind"] == "lump"]
    assert all(r["passed"] and r["covered_hot"] for r in rows)
    shown = [r for r in rows if r["shown_cold"] > 0.06]
    assert len(shown) > 120
    blind = [r for r in shown if r["shown_hot"] < 0.03]
    assert 0.05 < len(blind) / len(shown) < 0.3
    assert any(r["born"] == "die" for r in blind)  # hidden in the blind sectors
    assert any(r["born"] == "after-hot" for r in blind)


def test_spacing_below_two_metres_is_refused():
    with pytest.raises(ValueError, match="2 m"):
        bars(1, spacing=1.0)


def test_a_healthy_shift_has_drops_and_no_flaws():
    one = healthy(1)
    assert {f.kind for f in one.flaws} == {"drop"}
    assert len(one.flaws) == pytest.approx(36_000 * 1.5 / 100, rel=0.2)
    assert not one.pinholes
    assert not one.outages


def test_recurring_lumps_stand_at_one_spacing():
    assert np.diff([f.metre for f in recurring(10.0, 1.2, 5)]) == pytest.approx([1.2] * 4)


def test_a_cut_lies_where_the_counter_and_the_accumulator_say():
    line = CoreLine(small(reel_changes=(ReelChange(30.0),)))
    row = next(r for r in line.happenings(60.0) if r["kind"] == "cut")
    t = np.array([30.0])
    content = line.process.accumulator(t)[0]
    assert content > 15.0  # it has been filling
    assert row["metre"] == pytest.approx(line.motion.counter(t)[0] - 18.0 - content, abs=1e-3)
    before_after = np.array([29.9, 30.1])
    assert line.value("take-up.cut", before_after).tolist() == [0.0, 1.0]
    assert line.value("take-up.reel", before_after).tolist() == [101.0, 102.0]
    t = np.arange(0.0, 60.0, 0.1)
    wound = line.motion.counter(t) - line.process.accumulator(t)
    assert np.diff(wound).min() > 0.0  # the take-up never runs backwards


def test_high_voltage_off_counts_no_pinhole():
    from metrepost_sim.scenario import Pinhole

    holes = (Pinhole(1010.0), Pinhole(1030.0))
    line = CoreLine(small(pinholes=holes, voltage_off=(Span(10.0, 20.0),)))
    assert [r["counted"] for r in line.happenings(60.0)] == [False, True]
    faults = line.value("spark-tester.faults", np.array([0.0, 60.0]))
    assert faults[1] - faults[0] == 1.0


def test_product_change_moves_the_core_at_the_metre_that_was_at_the_die():
    line = CoreLine(small(products=(ProductChange(20.0, 76),)))
    row = next(r for r in line.happenings(60.0) if r["kind"] == "product")
    metres = np.array([row["metre"] - 5.0, row["to"] + 5.0])
    assert line.cable.cold(metres) == pytest.approx([4.80, 4.70], abs=0.01)
    assert line.value("plc.recipe", np.array([19.9, 20.0])).tolist() == [75.0, 76.0]
    with pytest.raises(ValueError, match="recipe 99"):
        CoreLine(small(products=(ProductChange(20.0, 99),)))


def test_a_failing_wipe_loses_air():
    from metrepost_sim.scenario import WipeFailure

    line = CoreLine(small(wipe_failures=(WipeFailure(20.0, 30.0),)))
    assert line.value("wipe.air", np.array([19.0, 25.0, 40.0])) == pytest.approx([3.2, 1.1, 3.2], abs=0.15)


def test_a_tag_that_nobody_can_make_is_refused(tmp_path):
    text = default_line_file().read_text("utf-8")
    text = text.replace('air = { node = "nsu=urn:northmere:core-3;s=Wipe.AirPressure" }', 'steam = { node = "nsu=urn:x;s=Y" }')
    file = tmp_path / "core-3.toml"
    file.write_text(text, "utf-8")
    (tmp_path / "products").symlink_to(default_line_file().parent / "products")
    with pytest.raises(LineFileError, match=r"wipe\.steam"):
        CoreLine(small(), read_line_file(file))


def test_an_unknown_station_names_those_there_are():
    with pytest.raises(LineFileError, match="cold-gauge"):
        read_line_file().place("warm-gauge")
