"""Values, statuses and times over a real server in this process, by subscription, by polling and by probe."""

import asyncio
import math
import time
from datetime import UTC, datetime, timedelta

import msgspec
import pytest
import pytest_asyncio
from asyncua import ua

from metrepost.endpoints.opcua import OpcUaRunner
from metrepost.endpoints.plan import OpcUaPoint
from metrepost.readings import BAD, GOOD, UNCERTAIN
from support_opcua import BRISK, NAMESPACE, LineTime, PlantServer, Proxy, Sink, chunk_kinds, endpoint, free_port, point, running

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def server():
    # two namespaces more than the client knows of: an index written down would be wrong
    async with PlantServer(free_port(), ["urn:northmere:other", NAMESPACE]) as running_server:
        await running_server.add("Temperature", 60.0)
        await running_server.add("Pressure", 1.5)
        await running_server.add("Count", 3, ua.VariantType.UInt16)
        await running_server.add("Threading", False)
        await running_server.add("Recipe", "75")
        yield running_server


def runner_for(server, *points, sink, mode="subscribe", pace=BRISK, **settings):
    return OpcUaRunner(endpoint(server.port, *points, mode=mode, **settings), sink, LineTime(), pace)


async def test_values_of_every_kind_with_source_times(server):
    sink = Sink()
    points = [point("Temperature", scale=2.0, latency=0.5), point("Count"), point("Threading"), point("Recipe")]
    runner = runner_for(server, *points, sink=sink)
    async with running(runner):
        await sink.until(lambda: all(sink.readings(name) for name in ("Temperature", "Count", "Threading", "Recipe")))
        before = time.time()
        await server.write("Temperature", 61.25)
        await server.write("Threading", True)
        await server.write("Count", 65535, ua.VariantType.UInt16)
        await sink.until(lambda: 1.0 in sink.values("Threading") and 65535.0 in sink.values("Count"))
        after = time.time()
    changed = next(r for r in sink.readings("Temperature") if r.value == 122.5)
    assert before - 0.5 <= changed.time <= after - 0.5
    assert changed.quality is GOOD
    assert changed.time_uncertainty < 0.05
    recipe = sink.readings("Recipe")[0]
    assert (recipe.quality, recipe.reason) == (BAD, "not a number")
    assert sink.acts() == ["endpoint_up"]
    assert runner.health.gaps == 0
    assert runner.health.publish == pytest.approx(0.05)
    assert runner.health.queue == 3000
    assert runner.health.bridges == pytest.approx(60.0)
    assert abs(runner.health.server_clock_ahead) < 0.2


async def test_statuses(server):
    sink = Sink()
    async with running(runner_for(server, point("Pressure"), sink=sink)):
        await sink.until(lambda: sink.readings("Pressure"))
        now = datetime.now(UTC)
        await server.write_raw(
            "Pressure", 1.25, StatusCode=ua.StatusCode(ua.StatusCodes.UncertainSensorNotAccurate), SourceTimestamp=now
        )
        await sink.until(lambda: sink.readings("Pressure")[-1].quality is UNCERTAIN)
        uncertain = sink.readings("Pressure")[-1]
        await server.write_raw("Pressure", None, StatusCode=ua.StatusCode(ua.StatusCodes.BadSensorFailure), SourceTimestamp=now)
        await sink.until(lambda: sink.readings("Pressure")[-1].quality is BAD)
        bad = sink.readings("Pressure")[-1]
        await server.write("Pressure", 1.5)
        await sink.until(lambda: sink.readings("Pressure")[-1].quality is GOOD)
    assert (uncertain.value, uncertain.reason) == (1.25, "UncertainSensorNotAccurate")
    assert math.isnan(bad.value)
    assert bad.reason == "BadSensorFailure"


async def test_times_absent_or_not_to_be_believed(server):
    sink = Sink()
    runner = runner_for(server, point("Pressure"), sink=sink)
    async with running(runner):
        await sink.until(lambda: sink.readings("Pressure"))
        await server.write_raw("Pressure", 2.0)
        await sink.until(lambda: 2.0 in sink.values("Pressure"))
        received = time.time()
        unstamped = sink.readings("Pressure")[-1]
        await server.write_raw("Pressure", 3.0, SourceTimestamp=datetime.now(UTC) - timedelta(hours=1))
        await sink.until(lambda: 3.0 in sink.values("Pressure"))
        old = sink.readings("Pressure")[-1]
        await server.write_raw("Pressure", 4.0, SourceTimestamp=datetime.now(UTC) + timedelta(seconds=5))
        await sink.until(lambda: 4.0 in sink.values("Pressure"))
        ahead = sink.readings("Pressure")[-1]
    assert unstamped.time == pytest.approx(received, abs=0.3)
    assert (unstamped.quality, unstamped.time_uncertainty) == (GOOD, pytest.approx(0.05, abs=0.01))
    for reading in (old, ahead):
        assert (reading.quality, reading.reason) == (UNCERTAIN, "source time")
        assert reading.time == pytest.approx(received, abs=2.0)
    assert runner.health.source_times_replaced == 2


async def test_bursts_between_two_publishes_arrive_whole_and_in_order(server):
    sink = Sink()
    async with running(runner_for(server, point("Count"), point("Temperature"), sink=sink, publish=0.2)):
        await sink.until(lambda: sink.readings("Count"))
        for number in range(200):
            await server.write("Count", number, ua.VariantType.UInt16)
            await server.write("Temperature", number + 0.5)
        await sink.until(lambda: sink.values("Count")[-1:] == [199.0] and sink.values("Temperature")[-1:] == [199.5])
    assert sink.values("Count")[-200:] == list(range(200))
    both = [r.value for r in sink.all if getattr(r, "tag", "") in ("s.Count", "s.Temperature")]
    assert both[-400:] == [step / 2 for n in range(200) for step in (2 * n, 2 * n + 1)], "tags follow each other in time"


async def test_a_queue_that_ran_over_in_the_server_is_told(server):
    """asyncua's server drops the oldest without setting the overflow bit; a full queue is suspicion enough."""
    sink = Sink()
    pace = msgspec.structs.replace(BRISK, bridge=0.2)
    runner = runner_for(server, point("Count"), sink=sink, publish=0.3, sampling=0.02, pace=pace)
    async with running(runner):
        await sink.until(lambda: sink.readings("Count"))
        for number in range(1000, 1050):
            await server.write("Count", number, ua.VariantType.UInt16)
        await sink.until(lambda: 1049.0 in sink.values("Count"))
    assert runner.health.queue == 10
    assert runner.health.overflows >= 1
    told = sink.readings("Count")
    lost = next(i for i, r in enumerate(told) if r.reason == "lost")
    assert told[lost].quality is BAD
    assert 1049.0 in [r.value for r in told[lost:]]


async def test_unknown_node_and_namespace_are_told_and_a_node_that_appears_is_taken_up(server):
    sink = Sink()
    points = [point("Later"), OpcUaPoint("s.elsewhere", "nsu=urn:northmere:gone;s=X"), point("Pressure")]
    runner = runner_for(server, *points, sink=sink)
    async with running(runner):
        await sink.until(lambda: sink.readings("Later") and sink.readings("elsewhere") and sink.readings("Pressure"))
        assert sink.readings("Later")[0].reason == "BadNodeIdUnknown"
        assert sink.readings("elsewhere")[0].quality is BAD
        assert NAMESPACE in sink.readings("elsewhere")[0].reason
        assert set(runner.health.failed_nodes) == {"s.Later", "s.elsewhere"}
        await server.add("Later", 12.0)
        await sink.until(lambda: sink.values("Later") == [12.0])
        assert set(runner.health.failed_nodes) == {"s.elsewhere"}
    await server.remove("Later")


async def test_an_unchanged_value_is_handed_over_again_with_the_present_time(server):
    sink = Sink()
    pace = msgspec.structs.replace(BRISK, repeat=0.4)
    async with running(runner_for(server, point("Temperature"), sink=sink, pace=pace)):
        await sink.until(lambda: len(sink.readings("Temperature")) >= 3, within=5.0)
    first, second, third = sink.readings("Temperature")[:3]
    assert first.value == second.value == third.value
    assert third.quality is GOOD
    assert 0.4 <= third.time - second.time < 0.9
    assert third.time == pytest.approx(time.time(), abs=0.5)


async def test_polling_at_a_fixed_rate_with_status(server):
    sink = Sink()
    points = [
        point("Temperature", poll=0.05),
        point("Pressure", poll=0.2),
        point("Nowhere", poll=0.2),
        OpcUaPoint("s.elsewhere", "nsu=urn:northmere:gone;s=X", poll=0.2),
    ]
    runner = runner_for(server, *points, sink=sink, mode="poll")
    async with running(runner):
        await sink.until(lambda: len(sink.readings("Temperature")) >= 20)
        await server.write_raw("Pressure", 9.0, StatusCode=ua.StatusCode(ua.StatusCodes.UncertainInitialValue))
        await sink.until(lambda: sink.readings("Pressure")[-1].quality is UNCERTAIN)
    times = [r.time for r in sink.readings("Temperature")[1:20]]
    assert (times[-1] - times[0]) / (len(times) - 1) == pytest.approx(0.05, rel=0.15)
    assert 3 <= len(sink.readings("Pressure")) <= len(sink.readings("Temperature")) / 2
    assert {r.reason for r in sink.readings("Nowhere")} == {"BadNodeIdUnknown"}
    assert NAMESPACE in sink.readings("elsewhere")[0].reason
    assert all(r.time_uncertainty < 0.05 for r in sink.readings("Temperature"))
    assert runner.health.round_trip > 0
    assert sink.acts() == ["endpoint_up"]


async def test_missed_deadlines_are_counted_and_not_made_up_for(server):
    sink = Sink()

    def slow(batch):
        sink(batch)
        if len(sink.readings("Temperature")) == 5:
            time.sleep(0.25)

    runner = OpcUaRunner(endpoint(server.port, point("Temperature", poll=0.05), mode="poll"), slow, LineTime(), BRISK)
    async with running(runner):
        await sink.until(lambda: len(sink.readings("Temperature")) >= 10)
    assert 3 <= runner.health.missed_deadlines <= 6


async def test_probe_shows_the_raw_variant_beside_the_value(server):
    await server.write("Count", 42, ua.VariantType.UInt16)
    points = [point("Count", scale=0.1), point("Recipe"), point("Nowhere")]
    runner = runner_for(server, *points, sink=Sink())
    count, recipe, nowhere, unknown = await runner.probe(["s.Count", "s.Recipe", "s.Nowhere", "s.mistyped"])
    assert (count.raw, count.quality) == ("UInt16 42", "good")
    assert count.value == pytest.approx(4.2)
    assert 0 < count.round_trip < 1
    assert count.detail["status"] == "Good"
    assert count.detail["resolved"] == "ns=3;s=Count"
    assert (recipe.raw, recipe.reason) == ("String '75'", "not a number")
    assert nowhere.reason == "BadNodeIdUnknown"
    assert "no such tag" in unknown.reason
    assert [p.tag for p in await runner.probe([])] == ["s.Count", "s.Recipe", "s.Nowhere"]


async def test_probe_of_a_dead_server_says_so():
    runner = OpcUaRunner(endpoint(free_port(), point("Count")), Sink(), LineTime(), BRISK)
    (probed,) = await runner.probe([])
    assert (probed.quality, probed.raw) == ("bad", "")
    assert probed.reason.startswith("no connection")


async def test_cancelling_ends_at_once_and_leaves_nothing_in_the_server(server):
    sink = Sink()
    before = asyncio.all_tasks()
    runner = runner_for(server, point("Count"), sink=sink)
    task = asyncio.create_task(runner.run())
    await sink.until(lambda: sink.readings("Count"))
    began = time.monotonic()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert time.monotonic() - began < 0.5
    assert server.subscriptions == 0
    async with asyncio.timeout(2):
        while asyncio.all_tasks() - before:
            await asyncio.sleep(0.01)  # the server's own tasks for the connection need a moment to end


async def test_the_secure_channel_is_renewed(server):
    sink = Sink()
    async with Proxy(server.port) as proxy:
        runner = OpcUaRunner(
            endpoint(proxy.port, point("Temperature")), sink, LineTime(), msgspec.structs.replace(BRISK, channel=0.8)
        )
        async with running(runner):
            await sink.until(lambda: sink.readings("Temperature"))
            # the value that follows the second renewal comes over the renewed channel
            await sink.until(lambda: chunk_kinds(bytes(proxy.sent[0])).count("OPN") >= 3)
            await server.write("Temperature", 99.0)
            await sink.until(lambda: 99.0 in sink.values("Temperature"))
    assert (runner.health.reconnects, runner.health.failures) == (0, 0)


async def test_messages_the_server_no_longer_has_are_told_as_a_gap(server):
    """Published into a dead connection and then forgotten: only the sequence numbers show it."""
    sink = Sink()
    await server.write("Count", 1, ua.VariantType.UInt16)
    await server.write("Pressure", 1.5)
    async with Proxy(server.port) as proxy:
        runner = OpcUaRunner(endpoint(proxy.port, point("Count"), point("Pressure")), sink, LineTime(), BRISK)
        async with running(runner):
            await sink.until(lambda: 1.0 in sink.values("Count") and sink.readings("Pressure"))
            await server.all_acknowledged()
            proxy.swallowing = True
            await server.write("Count", 2, ua.VariantType.UInt16)
            await server.lose_values()
            await server.write("Count", 3, ua.VariantType.UInt16)
            await proxy.cut(refuse=False)
            proxy.swallowing = False
            await sink.until(lambda: 3.0 in sink.values("Count") and sink.readings("Pressure")[-1].quality is GOOD)
    assert 2.0 not in sink.values("Count"), "the test lost something to tell"
    reasons = [r.reason for r in sink.readings("Count")]
    assert reasons.index("gap") < len(reasons) - 1
    assert "gap" in [r.reason for r in sink.readings("Pressure")]
    assert runner.health.gaps == 1


async def test_a_server_whose_sampling_died_is_noticed_by_its_clock(server):
    """Keep-alives go on, but the server's own clock stands still: the last test here, for this server is not the same after."""
    sink = Sink()
    runner = runner_for(server, point("Pressure"), sink=sink, pace=msgspec.structs.replace(BRISK, standstill=1.3))
    async with running(runner):
        await sink.until(lambda: len(sink.values("Pressure")) >= 3, within=5.0)  # repeats: two seconds of a ticking clock
        assert runner.health.gaps == 0
        server.stop_clock()
        await sink.until(lambda: runner.health.gaps == 1, within=5.0)
        await sink.until(lambda: sink.readings("Pressure")[-1].quality is GOOD)
    assert sink.acts() == ["endpoint_up"], "the connection was good all the time"
