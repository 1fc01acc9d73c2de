"""Faults of endpoints: the daemon counts them and calls them bad; never does a wrong frame become a good value."""

import contextlib

import msgspec
import pytest

from metrepost.configuration.faults import ConfigurationError
from metrepost.endpoints.plan import ModbusEndpoint
from metrepost.endpoints.start import runner_for
from metrepost.readings import Quality
from metrepost_sim.any_file import take_line
from metrepost_sim.any_servers import AnySimulatedLine
from metrepost_sim.flaws import Flaw
from metrepost_sim.motion import SpeedPoint
from metrepost_sim.scenario import Scenario
from metrepost_sim.wire_faults import RTU, TCP, Dice, parse_faults
from support_any_line import HandClock, moved, unseen_line
from support_modbus import Sink, running
from support_simulators import SMOOTH

FAST, PATIENCE = 0.004, 0.15


def only(line, name, *, clearing=False):
    """The line with one endpoint, read quickly; registers that are cleared by reading only if wanted."""
    endpoint = next(e for e in line.endpoints if e.name == name)
    if isinstance(endpoint, ModbusEndpoint):
        kept = [p for p in endpoint.points if p.type != "bool" and (clearing or not p.clears_on_read)]
        points = tuple(msgspec.structs.replace(p, poll=FAST) for p in kept)
        endpoint = msgspec.structs.replace(endpoint, points=points, timeout=0.03 if clearing else PATIENCE)
    return msgspec.structs.replace(line, endpoints=(endpoint,))


@contextlib.asynccontextmanager
async def broken(line, text, **more):
    """The line served with faults and read by the daemon; gives what the runner told, the runner, and the simulated line."""
    clock, sink = HandClock(), Sink()
    taken = take_line(line)
    scenario = Scenario("still", 1, 600.0, 60.0, (SpeedPoint(0.0, 60.0),), recipe=0, **more)
    name = line.endpoints[0].name
    async with AnySimulatedLine(taken, scenario, clock=clock, faults=parse_faults(text, taken.protocols)) as sim:
        sim.clock = clock
        clock.time += 5.0
        runner = runner_for(moved(line.endpoints[0], sim.addresses[name]), sink, clock)
        async with running(runner.run()):
            yield sink, runner, sim


async def values_of(line):
    """What every tag really shows."""
    async with broken(line, f"{line.endpoints[0].name}: frozen=1ms@0%") as (sink, _, _):
        tags = {p.tag for p in line.endpoints[0].points}
        await sink.until(lambda s: tags <= {r.tag for r in s.readings if r.quality is Quality.GOOD})
        return {r.tag: r.value for r in sink.readings if r.quality is Quality.GOOD}


REASONS = {
    "delay": "timeout",
    "drop": "timeout",
    "exception": "exception 6: server device busy",
    "transaction": "wrong transaction id",
    "unit": "wrong unit id",
    "function": "wrong function code",
    "length": "wrong length",
    "cut": "short answer",
    "crc": "checksum",
    "close": "connection lost",
}
"""What the daemon says of each fault."""


def text_of(endpoint, kinds):
    """Every fault; those that end the connection seldom, because connecting again takes its time."""
    value = {"delay": "=200ms", "exception": "=6", "frozen": "=20ms"}
    share = {"close": "1.5%", "cut": "1.5%", "function": "1.5%", "length": "1.5%"}
    return f"{endpoint}: " + ", ".join(f"{kind}{value.get(kind, '')}@{share.get(kind, '6%')}" for kind in kinds)


@pytest.mark.parametrize(("endpoint", "kinds"), [("line-a", TCP), ("gateway", RTU)])
async def test_no_wrong_frame_becomes_a_good_value_and_every_one_is_counted(endpoint, kinds, tmp_path):
    line = only(unseen_line(tmp_path), endpoint)
    right = await values_of(line)
    wanted = {REASONS[kind] for kind in kinds if kind != "frozen"}
    async with broken(line, text_of(endpoint, kinds)) as (sink, runner, sim):
        await sink.until(lambda s: wanted <= {r.reason for r in s.readings}, limit=60.0)
        made, health = dict(sim.dice[endpoint].told), msgspec.structs.replace(runner.health)
    good = [r for r in sink.readings if r.quality is Quality.GOOD]
    assert len(good) > 10
    assert [(r.tag, r.value) for r in good if r.value != right[r.tag]] == []
    assert all(r.reason for r in sink.readings if r.quality is Quality.BAD)
    # one of them a request, and a delay may come on top; the last one may still be on its way
    assert health.failures >= sum(n for kind, n in made.items() if kind not in ("frozen", "delay")) - 1


async def test_an_opcua_server_tells_bad_values_and_loses_its_connections(tmp_path):
    line = only(unseen_line(tmp_path), "hall")
    async with broken(line, "hall: bad@20%, close@5%") as (sink, runner, sim):
        bad = await sink.until_reading(lambda r: r.quality is Quality.BAD and "BadDeviceFailure" in r.reason, limit=30.0)
        count = len(sink.of(bad.tag))
        await sink.until(lambda s: any(r.quality is Quality.GOOD for r in s.of(bad.tag)[count:]), limit=30.0)
        await sink.until(lambda _: runner.health.reconnects, limit=30.0)
        assert sim.dice["hall"].told.keys() == {"bad", "close"}
    values = {tag: {r.value for r in sink.of(tag) if r.quality is Quality.GOOD} for tag in ("winder.cuts", "winder.drum")}
    assert values == {"winder.cuts": {0.0}, "winder.drum": {101.0}}


@pytest.mark.parametrize(
    ("text", "shown"), [("line-a: drop@0%", 0.30), ("line-a: drop@100%", None), ("line-a: unit@100%", None)]
)
async def test_the_truth_knows_that_a_lost_answer_showed_nothing(text, shown, tmp_path):
    line = only(unseen_line(tmp_path), "line-a", clearing=True)
    # from 1000 m at 1 m/s; the cold gauge stands 5 m ahead of the counter and sees 1015 m after 10 s
    lump = Flaw("lump", 1015.0, 0.30, 0.10, 0.0, 360.0)
    async with broken(line, text, flaws=(lump,), surface=SMOOTH) as (sink, _, sim):
        gauge = sim.modbus("line-a")
        for at in (9.0, 11.0):
            sim.clock.time = sim.start + at
            asked = gauge.requests + 8  # each of its registers at least once
            await sink.until(lambda _, asked=asked: gauge.requests > asked, limit=30.0)
        rows = [r for r in sim.truth_rows() if r["kind"] == "lump"]
    assert [r["shown_cold"] for r in rows] == [shown if shown is None else pytest.approx(shown, abs=0.01)]


def test_what_is_wrong_with_the_text_is_told_at_once_with_what_is_allowed():
    protocols = {"gauges": "modbus-tcp", "plc": "opcua", "rtu": "modbus-rtu-tcp"}
    with pytest.raises(ConfigurationError) as told:
        parse_faults(
            "gauges: delay=200mm@5%, drop@1%, drop@2%, crc@1%; plc: drop@1%; gouges: drop@1%; rtu: exception=9@1%; plc: bad@1%; rtu",
            protocols,
        )
    faults = {fault.key_path: fault for fault in told.value.faults}
    assert faults.keys() == {"gauges.delay.by", "gauges.drop", "plc.drop", "gouges", "rtu", "plc"}
    assert faults["plc.drop"].allowed == ("bad", "frozen", "close")
    assert faults["gouges"].nearest == "gauges"
    assert "200 mm has the wrong dimension" in faults["gauges.delay.by"].wrong


def test_shares_text_and_the_endpoint_of_every_other_are_read_as_meant():
    protocols = {"gauges": "modbus-tcp", "plc": "opcua"}
    found = parse_faults("plc: bad@2%; *: drop@1%, frozen=5 s@0.1%, delay=200ms@5%", protocols)
    assert found["plc"].bad == pytest.approx(0.02)
    assert found["plc"].frozen is None, "the endpoint is named, so the star says nothing of it"
    assert (found["gauges"].drop, found["gauges"].delay.by, found["gauges"].delay.share) == pytest.approx((0.01, 0.2, 0.05))
    assert (found["gauges"].frozen.for_, found["gauges"].frozen.share) == pytest.approx((5.0, 0.001))


def test_the_same_seed_breaks_the_same_requests():
    faults = parse_faults("gauges: drop@10%, unit@10%", {"gauges": "modbus-tcp"})["gauges"]
    rows = []
    for seed in (1, 1, 2):
        dice = Dice(faults, seed, "gauges")
        rows.append([dice.draw(0.0)[0] for _ in range(200)])
    assert rows[0] == rows[1] != rows[2]
    assert rows[0].count("drop") == pytest.approx(20, abs=15)
