"""Nothing is silently missed: a counter at 20 Hz in a server process, over cuts, silence, kills and restarts.

Every value of the counter is either received, or a bad reading stands in its place.
"""

import asyncio
import itertools
import time

import msgspec
import pytest
import pytest_asyncio

from metrepost.endpoints.opcua import OpcUaRunner
from metrepost.readings import BAD, GOOD
from support_opcua import BRISK, ChildServer, LineTime, Proxy, Sink, endpoint, free_port, point, running

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def child():
    async with ChildServer(free_port(), hz=20.0) as server:
        yield server


def untold(sink, tag="Counter"):
    """Jumps of the counter from one good reading to the next with no bad reading between them."""
    jumps, last, told = [], None, True
    for reading in sink.readings(tag):
        if reading.quality is BAD:
            told = True
            continue
        if last is not None and not told and reading.value not in (last, last + 1):
            jumps.append((last, reading.value))
        last, told = reading.value, False
    return jumps


def received(sink, tag="Counter"):
    return [int(value) for value in sink.values(tag)]


async def more(sink, count=10):
    have = len(sink.values("Counter"))
    await sink.until(lambda: len(sink.values("Counter")) >= have + count)


async def test_two_cuts_in_a_row_lose_nothing_while_the_server_lives(child):
    sink = Sink()
    async with Proxy(child.port) as proxy:
        runner = OpcUaRunner(endpoint(proxy.port, point("Counter"), point("Steady")), sink, LineTime(), BRISK)
        async with running(runner):
            await more(sink)
            await proxy.cut()
            await asyncio.sleep(1.0)
            await proxy.open()
            await more(sink, 25)
            await proxy.cut(refuse=False)
            await more(sink)
            await proxy.cut(refuse=False)
            await more(sink)
    values = received(sink)
    assert values == list(range(values[0], values[-1] + 1)), "every value once, in order"
    assert (runner.health.bridged, runner.health.gaps) == (3, 0)
    assert sink.acts() == ["endpoint_up", "endpoint_down", "endpoint_up"], "a cut that heals at once is no outage"
    assert [r.quality for r in sink.readings("Steady")][:3] == [GOOD, BAD, GOOD], "what did not change is good again after it"
    source = [r.time for r in sink.readings("Counter") if r.quality is GOOD]
    await child.kill()  # its last word is how late it was itself
    await child.start()
    steps = [later - earlier for earlier, later in itertools.pairwise(source)]
    assert min(steps) > 0.0, "each at its own time"
    assert max(steps) < 0.2 + child.late, f"each at its own time; the server was up to {child.late:.3f} s late itself"


async def test_an_outage_longer_than_the_server_keeps_values_is_told_as_a_gap(child):
    sink = Sink()
    short = msgspec.structs.replace(BRISK, bridge=0.4)
    async with Proxy(child.port) as proxy:
        runner = OpcUaRunner(endpoint(proxy.port, point("Counter"), point("Steady")), sink, LineTime(), short)
        async with running(runner):
            await more(sink)
            await proxy.cut()
            await asyncio.sleep(1.4)
            await proxy.open()
            await more(sink)
    assert untold(sink) == []
    assert runner.health.gaps == 1
    values = received(sink)
    assert values[-1] - values[0] + 1 > len(values), "the test lost something to tell"
    told = sink.readings("Counter")
    at = next(i for i, r in enumerate(told) if r.reason == "gap")
    assert (told[at].quality, told[at + 1].quality) == (BAD, GOOD)
    assert [r.reason for r in sink.readings("Steady")].count("gap") == 1
    assert sink.readings("Steady")[-1].quality is GOOD


async def test_a_connection_that_swallows_everything_is_noticed_by_its_silence(child):
    sink = Sink()
    async with Proxy(child.port) as proxy:
        runner = OpcUaRunner(endpoint(proxy.port, point("Counter")), sink, LineTime(), BRISK)
        async with running(runner):
            await more(sink)
            proxy.swallowing = True
            began = time.monotonic()
            await sink.until(lambda: "endpoint_down" in sink.acts())
            assert (
                time.monotonic() - began < BRISK.silence + 2.0 + 1.0
            )  # silence, one try that times out, room for a slow machine
            down = [r for r in sink.readings("Counter") if r.quality is BAD]
            assert len(down) == 1
            assert down[0].reason.startswith("no connection: nothing heard")
            await asyncio.sleep(0.3)
            proxy.swallowing = False
            await more(sink)
    assert untold(sink) == []
    assert sink.acts()[-1] == "endpoint_up"


async def test_a_frozen_server_is_noticed_and_taken_up_again(child):
    sink = Sink()
    runner = OpcUaRunner(endpoint(child.port, point("Counter"), timeout=0.5), sink, LineTime(), BRISK)
    async with running(runner):
        await more(sink)
        child.freeze()
        try:
            await sink.until(lambda: "endpoint_down" in sink.acts())
        finally:
            child.thaw()
        await more(sink)
    assert untold(sink) == []


async def test_server_absent_at_start_then_there_then_killed_and_restarted():
    """In its second life its namespaces stand in another order: an index kept from the first would read nothing."""
    sink = Sink()
    child = ChildServer(free_port(), hz=20.0)
    runner = OpcUaRunner(endpoint(child.port, point("Counter"), point("Steady")), sink, LineTime(), BRISK)
    async with running(runner):
        await sink.until(lambda: sink.readings("Counter"))
        assert sink.acts() == ["endpoint_down"]
        assert sink.readings("Counter")[0].quality is BAD
        assert runner.health.up is False
        try:
            await child.start()
            await more(sink)
            assert runner.health.gaps == 0, "nothing was lost before the first connection"
            await child.kill()
            await sink.until(lambda: sink.acts()[-1] == "endpoint_down")
            await child.start("urn:northmere:new")
            await more(sink)
        finally:
            await child.kill()
    assert sink.acts()[:4] == ["endpoint_down", "endpoint_up"] * 2
    assert runner.health.gaps == 1
    assert untold(sink) == []
    second_life = [i for i, r in enumerate(sink.readings("Counter")) if r.reason == "gap"]
    assert len(second_life) == 1
    assert sink.readings("Counter")[second_life[0] + 1].quality is GOOD


async def test_polling_tells_the_outage_and_goes_on(child):
    sink = Sink()
    async with Proxy(child.port) as proxy:
        runner = OpcUaRunner(endpoint(proxy.port, point("Counter", poll=0.05), mode="poll"), sink, LineTime(), BRISK)
        async with running(runner):
            await more(sink)
            await proxy.cut()
            await sink.until(lambda: sink.acts()[-1] == "endpoint_down")
            await proxy.open()
            await more(sink)
    reasons = [r.reason for r in sink.readings("Counter") if r.quality is BAD]
    assert len(reasons) == 2
    assert reasons[0].startswith("no connection")
    assert reasons[1] == "gap"
    assert runner.health.reconnects == 1


@pytest.mark.parametrize("state", ["connecting", "subscribed", "bridging"])
async def test_cancelling_ends_promptly_in_every_state(child, state):
    sink = Sink()
    async with Proxy(child.port) as proxy:
        proxy.swallowing = state == "connecting"
        runner = OpcUaRunner(endpoint(proxy.port, point("Counter"), timeout=5.0), sink, LineTime(), BRISK)
        task = asyncio.create_task(runner.run())
        if state == "connecting":
            async with asyncio.timeout(5):
                while not proxy.sent or not proxy.sent[0]:
                    await asyncio.sleep(0.01)
        else:
            await more(sink, 3)
        if state == "bridging":
            await proxy.cut()
            await sink.until(lambda: sink.acts()[-1] == "endpoint_down")
        began = time.monotonic()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert time.monotonic() - began < 0.7


async def test_garbage_instead_of_a_server_is_a_reason_and_no_crash():
    babbled = 0

    async def babble(reader, writer):
        nonlocal babbled
        babbled += 1
        await reader.read(100)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 3)
        await writer.drain()
        writer.close()

    babbler = await asyncio.start_server(babble, "127.0.0.1", 0)
    async with babbler:
        sink = Sink()
        port = babbler.sockets[0].getsockname()[1]
        runner = OpcUaRunner(endpoint(port, point("Counter")), sink, LineTime(), BRISK)
        async with running(runner):
            await sink.until(lambda: sink.readings("Counter"))
            async with asyncio.timeout(5):
                while babbled < 2:
                    await asyncio.sleep(0.01)
    assert sink.acts() == ["endpoint_down"], "told once, however often it is tried"
    assert sink.readings("Counter")[0].reason.endswith("while connecting")
    assert runner.health.up is False
