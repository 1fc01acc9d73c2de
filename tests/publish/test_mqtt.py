"""The publisher against a real broker."""

import asyncio
import json
import os
import signal
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from metrepost.journal import Journal, Present
from metrepost.publish.cloudevents import CONTENT_TYPE
from support_broker import Broker, Message, Recorder, free_port
from support_journal import ROOT, SOURCE, alarm_state, measured, note, reel_state, rollup, tag
from support_publish import child, publishing

pytestmark = pytest.mark.broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker", persistence=True) as running:
        yield running


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


def ids(payloads: list[bytes]) -> list[str]:
    return [json.loads(p)["id"] for p in payloads]


def distinct(payloads: list[bytes]) -> list[int]:
    """Sequences in order of first arrival; fails when two different payloads carry one id."""
    first: dict[str, bytes] = {}
    for payload in payloads:
        assert first.setdefault(json.loads(payload)["id"], payload) == payload
    return [int(i.rpartition("-")[2]) for i in first]


def has(sequence: int, stream: str):
    """Whether row `sequence` of a stream has arrived. Looks from the end: cheap to ask again and again."""
    digits = f'"sequence":"{sequence:020d}"'.encode()
    return lambda ms: any(digits in m.payload for m in reversed(ms[-3000:]) if m.topic.startswith(f"{ROOT}{stream}/"))


async def test_rows_arrive_in_order_without_gaps(broker: Broker, state: Path) -> None:
    with Recorder(broker.port) as recorder:
        async with publishing(state, broker.port) as p:
            committed = []
            for n in range(100):
                committed += await p.journal.commit([note(str(n)), rollup(), rollup(tag="ovality")])
            await asyncio.wait_for(p.journal.drained(), 10)
            await recorder.until(lambda ms: has(100, "event")(ms) and has(200, "rollup")(ms))
            events, rollups = recorder.payloads(ROOT + "event/"), recorder.payloads(ROOT + "rollup/")
            assert events == [r.payload for r in committed if r.stream == "event"]
            assert rollups == [r.payload for r in committed if r.stream == "rollup"]
            assert {m.content_type for m in recorder.messages if "/event/" in m.topic or "/rollup/" in m.topic} == {
                CONTENT_TYPE
            }
            assert {m.qos for m in recorder.messages} == {1}
            told = p.publisher.statistics()
            assert (told.connected, told.delivered, told.unheard, told.backlog, told.outstanding) == (True, 300, 0, 0, 0)


async def test_a_broker_that_is_absent_at_start_is_waited_for(tmp_path: Path, state: Path) -> None:
    port = free_port()
    async with publishing(state, port) as p:
        await p.journal.commit([note(str(n)) for n in range(20)])
        while p.publisher.statistics().failures < 2:
            await asyncio.sleep(0.02)
        told = p.publisher.statistics()
        assert not told.connected
        assert told.backlog == 20
        assert f"the broker at 127.0.0.1:{port} cannot be reached" in told.trouble
        with Broker(tmp_path / "broker", port=port), Recorder(port) as recorder:
            await recorder.until(has(20, "event"))
            assert distinct(recorder.payloads(ROOT + "event/")) == list(range(1, 21))


@pytest.mark.parametrize("how", ["stop", "kill"])
async def test_a_broker_that_goes_and_comes_loses_nothing(broker: Broker, state: Path, how: str) -> None:
    """Thousands of rows over three outages. Whoever subscribes sees each row, in order of first arrival, doubles with equal ids.

    The recorder subscribes at QoS 0, to judge the publisher and not the other leg: a broker that is killed has acknowledged
    rows that its subscribers have not, and nobody sends those again; without acknowledgements of its own a subscriber reads
    all that the broker wrote before it died.
    """
    rows = 6000
    with Recorder(broker.port, qos=0) as recorder:
        broker.save()  # so that a broker that is killed still knows its subscriber afterwards
        async with publishing(state, broker.port) as p:

            async def commit() -> None:
                for _ in range(rows // 20):
                    await p.journal.commit([note() for _ in range(20)] + [rollup() for _ in range(10)])
                    await asyncio.sleep(0.003)

            work = asyncio.create_task(commit())
            for outage in range(3):
                await recorder.until(has(500 + 1500 * outage, "event"))
                await asyncio.to_thread(getattr(broker, how))
                await asyncio.sleep(0.05)
                await asyncio.to_thread(broker.start)
            await work
            await asyncio.wait_for(p.journal.drained(), 20)
            await recorder.until(lambda ms: has(rows, "event")(ms) and has(rows // 2, "rollup")(ms), 20)
            for stream, count in (("event", rows), ("rollup", rows // 2)):
                arrived = recorder.payloads(f"{ROOT}{stream}/")
                assert distinct(arrived) == list(range(1, count + 1))
                assert len(arrived) - count <= 3 * 50, "more doubles than a window an outage"
            assert p.publisher.statistics().connections == 4


async def test_a_publisher_that_is_killed_loses_nothing(broker: Broker, state: Path) -> None:
    """kill -9 while it commits and sends; the next one finishes the job."""
    with Recorder(broker.port) as recorder:
        told = 0
        for round_ in range(2):
            process = child(state, broker.port)
            assert process.stdout is not None
            await recorder.until(has(told + 200, "event"), 20)
            process.send_signal(signal.SIGKILL)
            numbers = process.stdout.read().split()
            process.wait()
            process.stdout.close()
            told = max(int(n) for n in numbers if n.isdigit())
            assert told >= 200 * (round_ + 1)
            await recorder.until(lambda ms: b'"online":false' in [m for m in ms if m.topic == ROOT + "state"][-1].payload)
        async with publishing(state, broker.port) as p:
            last = p.journal.positions("event").last
            assert last >= told
            await asyncio.wait_for(p.journal.drained(), 20)
            await recorder.until(lambda ms: has(last, "event")(ms) and has(last // 2, "rollup")(ms))
            assert distinct(recorder.payloads(ROOT + "event/")) == list(range(1, last + 1))
            assert distinct(recorder.payloads(ROOT + "rollup/")) == list(range(1, last // 2 + 1))


async def test_present_states_go_ahead_of_a_backlog(broker: Broker, state: Path) -> None:
    with closing(Journal.open(state, "core-3", source=SOURCE)) as journal:
        journal.commit([note() for _ in range(500)] + [alarm_state(), reel_state(), Present("load", {"alarms": 1})])
    with Recorder(broker.port) as recorder:
        async with publishing(state, broker.port):
            await recorder.until(has(500, "event"))
    assert [m.topic.removeprefix(ROOT) for m in recorder.messages[:5]] == [
        "state",
        "alarm/cold-lump/lump",
        "reel/current",
        "load",
        "event/note",
    ]


async def test_a_live_alarm_state_overtakes_a_backlog(broker: Broker, state: Path) -> None:
    with closing(Journal.open(state, "core-3", source=SOURCE)) as journal:
        journal.commit([note("x" * 200) for _ in range(20_000)])
    with Recorder(broker.port) as recorder:
        async with publishing(state, broker.port) as p:
            await recorder.until(has(500, "event"))
            await p.journal.commit([alarm_state()])
            await recorder.until(lambda ms: any("alarm/" in m.topic for m in ms[-5000:]))
            at = next(n for n, m in enumerate(recorder.messages) if "alarm/" in m.topic)
            assert at < 15_000


async def test_states_are_retained_whole_and_only_changes_are_sent(broker: Broker, tmp_path: Path) -> None:
    with Recorder(broker.port) as recorder:
        async with publishing(tmp_path / "state", broker.port) as p:
            for n, state in enumerate(["unacknowledged", "unacknowledged", "acknowledged"], 1):
                await p.journal.commit([alarm_state(state=state), note()])
                await recorder.until(has(n, "event"))
            said = [json.loads(x)["state"] for x in recorder.payloads(ROOT + "alarm/")]
            assert said == ["unacknowledged", "acknowledged"]
            with Recorder(broker.port, ROOT + "alarm/#", client_id="late") as late:
                await late.until(lambda ms: len(ms) == 1)
                assert late.messages[0].retain
                assert json.loads(late.messages[0].payload)["state"] == "acknowledged"


async def test_topics_of_rules_that_are_gone_are_cleared(broker: Broker, state: Path) -> None:
    with Recorder(broker.port) as recorder:
        async with publishing(state, broker.port) as p:
            await p.journal.commit([alarm_state("old-rule"), alarm_state("cold-lump"), note()])
            await recorder.until(has(1, "event"))
            assert await p.journal.keep_alarms({"cold-lump.lump"}) == ["alarm/old-rule/lump"]
            await recorder.until(lambda ms: ms[-1].topic == ROOT + "alarm/old-rule/lump" and ms[-1].payload == b"")
            await p.journal.commit([note()])
            await recorder.until(has(2, "event"))
            while len(states := await p.journal.states()) > 1:
                await asyncio.sleep(0.01)
            assert [s.topic for s in states] == ["alarm/cold-lump/lump"]
            with Recorder(broker.port, ROOT + "#", client_id="late") as late:
                await late.until(lambda ms: len(ms) >= 2)
                assert {m.topic.removeprefix(ROOT) for m in late.messages} == {"state", "alarm/cold-lump/lump"}


async def test_the_will_is_seen_after_a_kill(broker: Broker, state: Path) -> None:
    def states(ms: list[Message]) -> list[bool]:
        return [json.loads(m.payload)["online"] for m in ms if m.topic == ROOT + "state"]

    with Recorder(broker.port) as recorder:
        process = child(state, broker.port)
        assert process.stdout is not None
        await recorder.until(lambda ms: states(ms)[-1:] == [True], 20)
        os.kill(process.pid, signal.SIGKILL)
        await recorder.until(lambda ms: states(ms)[-1:] == [False])
        process.wait()
        process.stdout.close()
        with Recorder(broker.port, ROOT + "state", client_id="late") as late:
            await late.until(lambda ms: len(ms) == 1)
            assert late.messages[0].retain
            assert states(late.messages) == [False]


async def test_a_stop_says_offline_too(broker: Broker, state: Path) -> None:
    with Recorder(broker.port, ROOT + "state") as recorder:
        async with publishing(state, broker.port):
            await recorder.until(lambda ms: len(ms) == 1)
        await recorder.until(lambda ms: len(ms) == 2)
    online, offline = (json.loads(m.payload) for m in recorder.messages)
    assert (online["online"], offline["online"]) == (True, False)
    assert online["line_state"] == "producing"
    assert online["endpoints"]["gauges"]["up"]


async def test_state_tells_counts_when_they_change(broker: Broker, state: Path) -> None:
    with Recorder(broker.port, ROOT + "state") as recorder:
        async with publishing(state, broker.port, state_every=0.2) as p:
            await recorder.until(lambda ms: len(ms) == 1)
            await p.journal.commit([note(), rollup()])
            await recorder.until(lambda ms: json.loads(ms[-1].payload)["delivered"] == 2)
            last = json.loads(recorder.messages[-1].payload)
            assert last["backlog"] == {"event": 0, "rollup": 0}
            assert last["unheard"] == 2, "this recorder listens to `state` only"
            count = len(recorder.messages)
            await asyncio.sleep(0.5)  # there is no event for what must not happen
            assert len(recorder.messages) == count, "an unchanged state is not sent again"


async def test_rows_that_nobody_heard_are_counted(broker: Broker, state: Path) -> None:
    async with publishing(state, broker.port) as p:
        await p.journal.commit([note(), note(), rollup()])
        await asyncio.wait_for(p.journal.drained(), 5)
        assert p.publisher.statistics().unheard == 3
        assert p.publisher.statistics().delivered == 3


async def test_a_refused_login_is_told_and_tried_again(tmp_path: Path, state: Path) -> None:
    with Broker(tmp_path / "guarded", passwords={"core-3": "right"}) as guarded:
        async with publishing(state, guarded.port, user="core-3", password="wrong") as p:
            while not p.publisher.statistics().trouble:
                await asyncio.sleep(0.01)
            trouble = p.publisher.statistics().trouble
            assert "refused the connection: Not authorized (user 'core-3')" in trouble
            assert "wrong" not in trouble
            assert not p.task.done()
        async with publishing(state, guarded.port, user="core-3", password="right") as p:
            await p.journal.commit([note()])
            await asyncio.wait_for(p.journal.drained(), 5)


async def test_a_broker_that_says_not_authorised_to_a_row_gets_it_again_later(tmp_path: Path, state: Path) -> None:
    """Access to `event/#` is missing at first: nothing is given up, rollups go on, and all arrives when IT has mended it."""
    acl = f"topic readwrite {ROOT}state\ntopic readwrite {ROOT}rollup/#\ntopic read #\n"
    with Broker(tmp_path / "guarded", acl=acl) as guarded, Recorder(guarded.port) as recorder:
        async with publishing(state, guarded.port) as p:
            await p.journal.commit([note(str(n)) for n in range(10)] + [rollup() for _ in range(10)])
            await recorder.until(has(10, "rollup"))
            while "the broker answered not authorized (0x87)" not in (told := p.publisher.statistics()).trouble:
                await asyncio.sleep(0.01)
            assert told.refused > 0
            while p.journal.positions("rollup").waiting:
                await asyncio.sleep(0.01)
            assert p.publisher.statistics().backlog == 10
            assert p.publisher.statistics().set_aside == 0
            file = guarded.folder / "acl"
            file.write_text("topic readwrite #\n")
            assert guarded._process is not None
            guarded._process.send_signal(signal.SIGHUP)
            await recorder.until(has(10, "event"))
            assert distinct(recorder.payloads(ROOT + "event/")) == list(range(1, 11))


async def test_a_row_larger_than_the_broker_takes_is_declared_and_passed(tmp_path: Path, state: Path) -> None:
    """Mosquitto announces `max_packet_size` in CONNACK: the row is not even tried."""
    with Broker(tmp_path / "small", extra="max_packet_size 4000") as small, Recorder(small.port) as recorder:
        async with publishing(state, small.port) as p:
            await p.journal.commit([note("a"), note("x" * 5000), note("c")])
            await recorder.until(has(4, "event"))
            assert distinct(recorder.payloads(ROOT + "event/")) == [1, 3, 4]
            loss = json.loads(recorder.payloads(ROOT + "event/")[-1])["data"]
            assert (loss["first"], loss["last"]) == (2, 2)
            assert "more than this broker takes (packets of 4000 bytes)" in loss["reason"]
            assert p.publisher.statistics().set_aside == 1
            assert p.publisher.statistics().failures == 0


async def test_a_row_refused_for_its_size_is_declared_and_passed(tmp_path: Path, state: Path) -> None:
    """`message_size_limit` is not announced. This Mosquitto answers with a PUBACK reason that MQTT 5 does not allow there
    (0x95) and hangs up: the row is found like any other that makes a broker hang up.
    """
    with Broker(tmp_path / "small", extra="message_size_limit 4000") as small, Recorder(small.port) as recorder:
        async with publishing(state, small.port) as p:
            await p.journal.commit([note("a"), note("x" * 5000), note("c")])
            await recorder.until(has(4, "event"))
            assert distinct(recorder.payloads(ROOT + "event/")) == [1, 3, 4]
            assert p.publisher.statistics().set_aside == 1


class CuttingProxy:
    """Passes bytes on to a broker and cuts the connection when it sees `poison` go by."""

    def __init__(self, port: int, poison: bytes) -> None:
        self._to = port
        self._poison = poison
        self.cuts = 0
        self.port = 0

    async def __aenter__(self) -> "CuttingProxy":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        back, forth = await asyncio.open_connection("127.0.0.1", self._to)

        async def upstream() -> None:
            seen = b""
            while data := await reader.read(65536):
                seen = (seen + data)[-70_000:]
                if self._poison in seen:
                    self.cuts += 1
                    return
                forth.write(data)

        async def downstream() -> None:
            while data := await back.read(65536):
                writer.write(data)

        tasks = [asyncio.create_task(upstream()), asyncio.create_task(downstream())]
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in tasks:
            task.cancel()
        writer.close()
        forth.close()


async def test_a_poisonous_row_is_found_declared_and_passed(broker: Broker, state: Path) -> None:
    """A broker that hangs up at one row: the row is found among its neighbours, and only that one is passed over."""
    async with CuttingProxy(broker.port, b"poison") as proxy:
        with Recorder(broker.port) as recorder:
            async with publishing(state, proxy.port) as p:
                await p.journal.commit([note(str(n)) for n in range(20)] + [note("poison")] + [note(str(n)) for n in range(20)])
                await recorder.until(has(42, "event"), 20)
                assert distinct(recorder.payloads(ROOT + "event/")) == [*range(1, 21), *range(22, 43)]
                loss = json.loads(recorder.payloads(ROOT + "event/loss")[-1])["data"]
                assert (loss["first"], loss["last"], loss["stream"]) == (21, 21, "event")
                assert 5 <= proxy.cuts <= 15, "two among others and three alone, and what rows before it took"


async def test_a_broker_that_falls_silent_is_left(broker: Broker, state: Path) -> None:
    async with publishing(state, broker.port, ack_timeout=0.5) as p:
        await p.journal.commit([note()])
        await asyncio.wait_for(p.journal.drained(), 5)
        broker.pause()
        await p.journal.commit([note()])
        while "acknowledged nothing" not in p.publisher.statistics().trouble:
            await asyncio.sleep(0.02)
        assert p.publisher.statistics().backlog == 1


async def test_the_window_of_the_broker_is_kept(tmp_path: Path, state: Path) -> None:
    """Receive Maximum (MQTT 5.0, MQTT-3.3.4-7): Mosquitto ends the connection of a client that goes beyond it."""
    with Broker(tmp_path / "strict") as strict:
        config = strict.folder / "mosquitto.conf"
        strict.stop()
        config.write_text(config.read_text().replace("max_inflight_messages 0", "max_inflight_messages 3"))
        strict.start()
        with Recorder(strict.port) as recorder:
            async with publishing(state, strict.port, window=100) as p:
                await p.journal.commit([note(str(n)) for n in range(300)])
                seen = Counter[int]()
                while p.journal.positions("event").waiting:
                    seen[p.publisher.statistics().outstanding] += 1
                    await asyncio.sleep(0)
                await recorder.until(has(300, "event"))
                assert max(seen) == 3
                assert p.publisher.statistics().failures == 0


async def test_readings_go_on_change_with_a_number_each(broker: Broker, state: Path) -> None:
    tags = {"cold-gauge.x": tag(on_change=0.001), "cold-gauge.y": tag("cold-gauge.y")}
    with Recorder(broker.port, ROOT + "reading/#") as recorder:
        async with publishing(state, broker.port, tags=tags) as p:
            p.publisher.offer(measured(value=4.7))
            while not p.publisher.statistics().connected:
                await asyncio.sleep(0.01)
            for value in (4.8, 4.8001, 4.81, 4.82):
                p.publisher.offer(measured(value=value))
            p.publisher.offer(measured("cold-gauge.y", value=float("nan")))
            await recorder.until(lambda ms: len(ms) == 4)
    got = [json.loads(m.payload) for m in recorder.messages if m.topic == ROOT + "reading/cold-gauge/x"]
    assert [(g["n"], g["value"]) for g in got] == [(2, 4.8), (3, 4.81), (4, 4.82)]
    assert (got[0]["unit"], got[0]["quality"], got[0]["from"], got[0]["to"]) == ("mm", "good", 99.99, 100.01)
    assert json.loads(recorder.payloads(ROOT + "reading/cold-gauge/y")[0])["value"] is None
    assert {m.qos for m in recorder.messages} == {0}
    assert p.publisher.statistics().dropped_readings == 1


async def test_cancelling_while_it_connects_ends_at_once(state: Path) -> None:
    """A server that accepts and says nothing."""
    came = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        came.set()
        await reader.read()
        writer.close()
        await writer.wait_closed()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server, publishing(state, server.sockets[0].getsockname()[1]) as p:
        await came.wait()
        began = asyncio.get_running_loop().time()
        p.task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await p.task
        assert asyncio.get_running_loop().time() - began < 0.5


async def test_nonsense_from_a_server_is_told_and_tried_again(state: Path) -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n")
        writer.close()
        await writer.wait_closed()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server, publishing(state, server.sockets[0].getsockname()[1]) as p:
        while p.publisher.statistics().failures < 2:
            await asyncio.sleep(0.01)
        assert not p.task.done()
        assert p.publisher.statistics().trouble
