import numpy as np
import pytest

from metrepost_sim.line import CoreLine
from metrepost_sim.registers import Devices
from metrepost_sim.scenario import Outage, Surface
from metrepost_sim.scenarios import bars
from metrepost_sim.truth import Truth
from support_simulators import ring, small

ALL = [f"cold-gauge.{local}" for local in ("x", "y", "x_max", "y_max", "x_min", "y_min")]


def devices(scenario):
    line = CoreLine(scenario)
    return Devices(line, Truth(line, 0.0))


def read_all(scenario, times):
    return devices(scenario).read(ALL, np.array(times))


def test_peak_hold_equals_brute_force_over_every_internal_sample():
    scenario = bars(5, lumps=20)
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.uniform(0.003, 0.3, 400))  # over several blocks, at odd moments
    values = read_all(scenario, times)
    signal = CoreLine(scenario).gauges["cold-gauge"]
    ends = np.floor((times - 0.004) * 1000 + 1e-6).astype(int)
    for n in range(1, len(times)):
        seen = signal.samples(int(ends[n - 1]) + 1, int(ends[n]))
        assert seen.axes.shape[1] == ends[n] - ends[n - 1]
        for axis, name in enumerate("xy"):
            for hold, best in (("max", np.max), ("min", np.min)):
                assert values[f"cold-gauge.{name}_{hold}"][n] == pytest.approx(best(seen.axes[axis]), abs=0.51e-4)
            assert values[f"cold-gauge.{name}"][n] == pytest.approx(seen.axes[axis][-1], abs=0.51e-4)


def test_peak_hold_noise_has_the_law_of_the_largest_of_n_normals():
    """Mean of the largest of 20 standard normals: 1.8675 (tables of normal order statistics; from memory)."""
    noise = 0.01
    surface = Surface(drift=0.0, screw=0.0, haul_off=0.0, ovality=0.0, noise=noise)
    scenario = small(surface=surface, duration=120.0)
    values = read_all(scenario, np.arange(1, 5000) * 0.02)
    base = CoreLine(scenario).cable.cold(np.array([1050.0]))[0]
    assert (values["cold-gauge.x_max"][1:].mean() - base) / noise == pytest.approx(1.8675, abs=0.15)
    assert (values["cold-gauge.x"].std()) / noise == pytest.approx(1.0, abs=0.06)


def test_a_read_begins_the_hold_anew_and_the_first_one_covers_its_own_sample_only():
    at = CoreLine(small()).motion.time_of(1020.0 - 4.5)
    scenario = small(ring(1020.0, height=0.2))
    high = [read_all(scenario, [t, at + 0.5, at + 0.7])["cold-gauge.x_max"].tolist() for t in (at - 1.0, at + 0.4)]
    assert high[0] == pytest.approx([4.8, 5.0, 4.8], abs=0.02)
    assert high[1] == pytest.approx([4.8, 4.8, 4.8], abs=0.02)


def test_each_held_register_resets_for_itself():
    at = CoreLine(small()).motion.time_of(1020.0 - 4.5)
    one = devices(small(ring(1020.0, height=0.2)))
    both = ["cold-gauge.x_max", "cold-gauge.y_max"]
    one.read(both, np.array([at - 1.0]))
    assert one.read(both[:1], np.array([at + 0.5]))[both[0]][0] > 4.95
    assert one.read(both[:1], np.array([at + 0.6]))[both[0]][0] < 4.85
    assert one.read(both[1:], np.array([at + 0.7]))[both[1]][0] > 4.95


def test_two_reads_within_one_internal_sample_show_the_same():
    one = devices(small())
    first, second = one.read(ALL, np.array([1.0])), one.read(ALL, np.array([1.0]))
    assert {k: v[0] for k, v in second.items()} == pytest.approx({k: v[0] for k, v in first.items()}, abs=1e-3)


def test_reading_in_one_go_or_one_by_one_gives_the_same():
    scenario = bars(2, lumps=5)
    times = np.arange(1, 200) * 0.05
    whole = read_all(scenario, times)
    one = devices(scenario)
    for n, t in enumerate(times):
        single = one.read(ALL, np.array([t]))
        assert all(single[tag][0] == whole[tag][n] for tag in ALL)


def test_frozen_registers_stand_still_and_a_bad_gauge_reads_zero():
    frozen = read_all(small(surface=Surface(), outages=(Outage("cold-gauge", "freeze", 1.0, 2.0),)), np.arange(1, 150) * 0.02)
    assert np.ptp(frozen["cold-gauge.x"][50:99]) == 0.0
    assert np.ptp(frozen["cold-gauge.x"][100:]) > 0.0
    bad = read_all(small(outages=(Outage("cold-gauge", "bad", 1.0, 2.0),)), np.arange(1, 150) * 0.02)
    assert (bad["cold-gauge.x_max"][50:99] == 0.0).all()
    assert (bad["cold-gauge.x_max"][100:] > 4.0).all()


def test_a_drop_is_seen_at_the_cold_gauge_only_and_a_late_lump_has_no_witness():
    from metrepost_sim.flaws import Flaw

    wet = Flaw("drop", 1080.0, 0.2, 0.01, 0.0, 60.0, "wipe", (1.0, 0.5), 0.0)
    line = CoreLine(small(wet, ring(1085.0, born="after-hot"), ring(1090.0)))
    assert line.gauges["cold-gauge"].gains(0) == pytest.approx((0.2, 0.1))
    assert line.gauges["hot-gauge"].gains(0) == (0.0, 0.0)
    assert line.gauges["hot-gauge"].gains(1) == (0.0, 0.0)
    assert line.gauges["hot-gauge"].gains(2)[0] == pytest.approx(0.1 / 0.98)


def test_truth_tells_what_the_served_register_showed():
    line = CoreLine(small(ring(1080.0, height=0.1)))
    truth = Truth(line, 0.0)
    device = Devices(line, truth)
    tags = [f"{gauge}.{axis}_max" for gauge in ("hot-gauge", "cold-gauge") for axis in "xy"]
    device.read(tags, np.arange(1, 5000) * 0.02)
    truth.until = 100.0
    row = next(r for r in truth.rows() if r["kind"] == "lump")
    assert row["shown_cold"] == pytest.approx(0.1, abs=2e-4)
    assert row["shown_hot"] == pytest.approx(0.1 / 0.98, abs=2e-4)
    assert row["shown_cold_instant"] is None
    assert row["covered_hot"] is True
    assert row["passed"] is True


def test_truth_of_a_lost_answer_shows_nothing_and_covers_nothing():
    line = CoreLine(small(ring(1080.0)))
    truth = Truth(line, 0.0)
    device = Devices(line, truth)
    at = line.motion.time_of(1080.0 - 64.5)
    times = np.arange(1, 3000) * 0.02
    lost = np.abs(times - at) < 0.5
    device.read(["hot-gauge.x_max", "hot-gauge.y_max"], times, ~lost)
    truth.until = 90.0
    row = next(r for r in truth.rows() if r["kind"] == "lump")
    assert row["shown_hot"] is None
    assert row["covered_hot"] is False
