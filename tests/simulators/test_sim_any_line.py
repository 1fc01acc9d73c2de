"""A line file that the simulator has never seen: served from the file alone, read back by the daemon's own endpoints."""

import contextlib
import math

import msgspec
import numpy as np
import pytest

from metrepost.endpoints.start import runner_for
from metrepost.readings import Quality
from metrepost_sim.any_devices import AnyDevices
from metrepost_sim.any_file import take_line
from metrepost_sim.any_servers import AnySimulatedLine
from metrepost_sim.flaws import Flaw
from metrepost_sim.line import CoreLine
from metrepost_sim.line_file import LineFileError
from metrepost_sim.motion import SpeedPoint
from metrepost_sim.roles import allowed_by_rules
from metrepost_sim.scenario import Scenario
from metrepost_sim.scenario_build import build_scenario
from metrepost_sim.scenario_file import read_scenario
from metrepost_sim.truth import Truth
from support_any_line import HandClock, moved, unseen_line
from support_bars import bars_line
from support_modbus import Sink, running
from support_simulators import SMOOTH


def scenario(*flaws, **more):
    return Scenario("small", 1, 600.0, 60.0, (SpeedPoint(0.0, 60.0),), recipe=0, surface=SMOOTH, flaws=flaws, **more)


def quick(line, name):
    """The line with one endpoint, read every 10 ms."""
    endpoint = next(e for e in line.endpoints if e.name == name)
    points = tuple(msgspec.structs.replace(p, poll=0.01) for p in endpoint.points)
    return msgspec.structs.replace(line, endpoints=(msgspec.structs.replace(endpoint, points=points),))


@contextlib.asynccontextmanager
async def read_by_the_daemon(line, sim, clock):
    """The daemon's endpoints on the served line; gives the sink."""
    sink = Sink()
    runners = [runner_for(moved(e, sim.addresses[e.name]), sink, clock) for e in line.endpoints if e.name in sim.addresses]
    async with running(*(runner.run() for runner in runners)):
        yield sink


async def asked_anew(sink, *tags):
    """The largest good value of each tag, of those asked for from now on."""
    sink.batches.clear()
    good = lambda s, tag: [r.value for r in s.of(tag) if r.quality is Quality.GOOD]  # noqa: E731
    await sink.until(lambda s: all(len(good(s, tag)) > 2 for tag in tags))
    return {tag: max(good(sink, tag)) for tag in tags}


async def test_every_tag_of_an_unseen_line_is_read_back_within_its_range(tmp_path):
    line = unseen_line(tmp_path)
    clock = HandClock()
    any_line = take_line(line)
    async with AnySimulatedLine(any_line, scenario(), clock=clock) as sim, read_by_the_daemon(line, sim, clock) as sink:
        clock.time += 10.0
        assert sim.addresses.keys() == {"line-a", "gateway", "hall"}
        assert any_line.left_out.keys() == {"broker"}
        wanted = set(line.plan.tags) - {"dryer.dew-point"}
        await sink.until(lambda s: wanted <= {r.tag for r in s.readings if r.quality is Quality.GOOD})
        first = {tag: sink.of(tag)[-1] for tag in wanted}
        # what the product, the speed and the counter of the scenario are, in the units, types and orders of the file
        expected = {
            "wire.diameter": (2.60, 0.01),
            "upstream.peak-x": (7.00 / 0.98, 0.01),
            "upstream.peak-y": (7.00 / 0.98, 0.01),
            "downstream.x": (7.00, 0.01),
            "downstream.y": (7.00, 0.01),
            "downstream.x-top": (7.00, 0.01),
            "downstream.y-top": (7.00, 0.01),
            "downstream.x-low": (7.00, 0.01),
            "caterpillar.metres": (1010.0, 0.1),
            "caterpillar.pace": (1.0, 0.02),
            "caterpillar.guard": (1.0, 0.0),
            "caterpillar.running": (0.0, 0.0),
            "caterpillar.jog": (0.0, 0.0),
            "winder.cuts": (0.0, 0.0),
            "winder.drum": (101.0, 0.0),
            "winder.tension": (40.0, 5.0),
            "bath.water": (315.0, 5.0),  # where its rule keeps quiet
            "wet-meter.load": (40.0, 10.0),
        }
        for tag, (value, spread) in expected.items():
            assert first[tag].value == pytest.approx(value, abs=spread + 1e-9), tag
        # 50 ohm foam of 7.00 over 2.60 mm, in water: elementary electrostatics, Z = sqrt(eps) 59.96 ln(D/d) and C = 55.63 eps / ln(D/d),
        # with the skins that the simulated core has
        assert 60.0 < first["wet-meter.per-length"].value < 90.0
        assert all(r.quality is Quality.GOOD for r in first.values())


async def test_one_lump_is_seen_by_both_gauges_at_its_metre_and_told_as_truth(tmp_path):
    line = quick(unseen_line(tmp_path), "line-a")
    clock = HandClock()
    # the cold gauge stands 5 m ahead of the counter and the hot one 43 m; from 1000 m at 1 m/s, 1100 m passes them at 95 s and 57 s
    lump = Flaw("lump", 1100.0, 0.30, 0.10, 0.0, 360.0)
    sim = AnySimulatedLine(take_line(line), scenario(lump), clock=clock)
    async with sim, read_by_the_daemon(line, sim, clock) as sink:
        seen = {}
        for at in (56.0, 58.0, 90.0, 94.0, 96.0, 99.0):
            clock.time = sim.start + at
            shown = await asked_anew(sink, "upstream.peak-x", "downstream.x-top")
            seen |= {(tag, at): value for tag, value in shown.items()}
        rows = [r for r in sim.truth_rows() if r["kind"] == "lump"]
    for (tag, at), value in seen.items():
        # twice half of the height on either side; the hot core is wider, and so is its lump
        flaw = {("upstream.peak-x", 58.0): 0.30 / 0.98, ("downstream.x-top", 96.0): 0.30}.get((tag, at), 0.0)
        whole = 7.00 / 0.98 if tag == "upstream.peak-x" else 7.00
        assert value == pytest.approx(whole + flaw, abs=0.02), (tag, at)
    assert [(r["metre"], r["passed"], r["covered_hot"]) for r in rows] == [(1100.0, True, True)]
    assert rows[0]["shown_cold"] == pytest.approx(0.30, abs=0.01)
    assert rows[0]["shown_hot"] == pytest.approx(0.30 / 0.98, abs=0.01)


async def test_a_restart_a_forced_tag_a_silent_one_and_a_frozen_station_are_seen_at_the_wire(tmp_path):
    line = quick(unseen_line(tmp_path), "gateway")
    (tmp_path / "s.toml").write_text(
        """
        format = 1
        [run]
        speed = "60 m/min"
        duration = "10 min"
        [signal."wet-meter.load"]
        level = "30 %"
        noise = "0 %"
        [event.forced]
        kind = "tag"
        tag = "wet-meter.load"
        at = "10 s"
        for = "10 s"
        to = "70 %"
        over = "4 s"
        [event.frozen]
        kind = "station"
        station = "caterpillar"
        at = "1025 m"
        for = "5 s"
        [event.silent]
        kind = "tag"
        tag = "wet-meter.load"
        at = "40 s"
        for = "10 s"
        silent = true
        [event.restart]
        kind = "restart"
        at = "1060 m"
        for = "20 s"
        counter_zero = true
        """
    )
    taken = take_line(line)
    built = build_scenario(read_scenario(tmp_path / "s.toml"), taken, 1)
    clock = HandClock()
    sim = AnySimulatedLine(taken, built.scenario, clock=clock, levels=built.levels, noises=built.noises)
    async with sim, read_by_the_daemon(line, sim, clock) as sink:
        load, metres = {}, {}
        for at in (5.0, 12.0, 15.0, 22.0, 26.0, 29.0, 32.0):
            clock.time = sim.start + at
            shown = await asked_anew(sink, "wet-meter.load", "caterpillar.metres")
            load[at], metres[at] = shown["wet-meter.load"], shown["caterpillar.metres"]
        clock.time = sim.start + 45.0
        sink.batches.clear()
        await sink.until(lambda s: any(r.reason == "timeout" for r in s.of("wet-meter.load")))
        clock.time = sim.start + 70.0
        sink.batches.clear()
        await sink.until(lambda s: any(r.reason in ("not connected", "connection lost") for r in s.of("caterpillar.metres")))
        clock.time = sim.start + 90.0
        after = (await asked_anew(sink, "caterpillar.metres"))["caterpillar.metres"]
        rows = [(r["kind"], r.get("what")) for r in sim.truth_rows()]
    # half-way up its ramp at 12 s
    assert load == pytest.approx({5.0: 30.0, 12.0: 50.0, 15.0: 70.0, 22.0: 30.0, 26.0: 30.0, 29.0: 30.0, 32.0: 30.0}, abs=0.1)
    assert metres[22.0] == pytest.approx(1022.0, abs=0.05)
    assert metres[29.0] == metres[26.0], "the station stands still"
    assert metres[32.0] == pytest.approx(1032.0, abs=0.05)
    assert after == pytest.approx(10.0, abs=0.05), "the counter began at zero when its endpoint came back at 80 s"
    assert {("tag", "forced"), ("tag", "silent"), ("outage", "freeze"), ("outage", "down"), ("counter", "zero")} <= set(rows)


@pytest.mark.parametrize("recipe", [75, 50])
def test_on_a_quiet_line_every_value_keeps_within_its_range_and_the_limits_of_its_rules(recipe):
    line = bars_line()
    taken = take_line(line)
    quiet = Scenario("quiet", 1, 1200.0, 40.0, (SpeedPoint(0.0, 40.0),), recipe=recipe)
    core = CoreLine(quiet, taken.core)
    limits = allowed_by_rules(line, taken.core.product_values[recipe])
    shown = AnyDevices(taken, core, Truth(core, 0.0)).read(sorted(taken.file.tags), np.arange(0.0, 1200.0, 1.0))
    outside = []
    for name, values in shown.items():
        tag, (low, high) = line.plan.tags[name], limits.get(name, (-math.inf, math.inf))
        if values.min() < max(low, tag.valid_low) or values.max() > min(high, tag.valid_high):
            outside.append((name, values.min(), values.max(), low, high))
    assert outside == []
    assert shown["capstan.speed"].mean() == pytest.approx(40.0, abs=0.1)
    assert shown["cold-gauge.x"].mean() == pytest.approx({75: 4.80, 50: 12.40}[recipe], abs=0.01)
    assert shown["bare-gauge.x"].mean() == pytest.approx({75: 1.02, 50: 4.80}[recipe], abs=0.001)
    assert shown["spark-tester.voltage"].mean() < 8.0
    assert limits["spark-tester.voltage"][0] == {75: 3.0, 50: 6.0}[recipe], "as the product files have it"


def test_a_line_without_an_endpoint_that_can_be_simulated_is_refused_with_the_reasons(tmp_path):
    line = unseen_line(tmp_path)
    only = msgspec.structs.replace(line, endpoints=tuple(e for e in line.endpoints if e.name == "broker"))
    with pytest.raises(LineFileError, match="endpoint broker: devices that publish over MQTT"):
        take_line(only)
