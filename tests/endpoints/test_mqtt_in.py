"""Devices that publish, through a real Mosquitto."""

import asyncio
import contextlib
import math
import ssl
import subprocess
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest
from paho.mqtt.client import Client

import metrepost.endpoints
from metrepost.endpoints.mqtt import MqttRunner
from metrepost.endpoints.mqtt_link import Listener, PublishRefusedError
from metrepost.endpoints.plan import MqttEndpoint, MqttPoint
from metrepost.readings import BAD, GOOD, UNCERTAIN
from support_broker import Broker, free_port
from support_modbus import RealClock, Sink, running
from support_mqtt_in import Device, Tap, broker_of

X = MqttPoint("g.x", "gauges/cold", "/x")
PLAIN = MqttPoint("g.water", "plc/water")


class WallClock(RealClock):
    """Line time near wall time, as source times are."""

    def line_time(self) -> float:
        return time.time()


def runner_for(where: MqttEndpoint, sink: Sink) -> MqttRunner:
    return MqttRunner(where, sink, WallClock(), jitter=lambda: 0.0)


@contextlib.asynccontextmanager
async def scripted(serve: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]) -> AsyncIterator[int]:
    """A TCP server whose connections last until the end of the test; gives its port."""
    writers: list[asyncio.StreamWriter] = []

    async def take(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            await serve(reader, writer)

    async with await asyncio.start_server(take, "127.0.0.1", 0) as server:
        yield server.sockets[0].getsockname()[1]
        for writer in writers:
            writer.transport.abort()
        await asyncio.sleep(0)


async def listening(sink: Sink) -> None:
    await sink.until(lambda s: any(act.act == "endpoint_up" for act in s.acts))


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_values_quality_and_source_time_come_in_order_of_arrival(tmp_path: Path, version: str) -> None:
    point = MqttPoint("g.x", "gauges/cold", "/x", quality_pointer="/q", time_pointer="/t")
    with Broker(tmp_path) as broker, Device(broker.port) as device:
        sink = Sink()
        runner = runner_for(broker_of(broker.port, point, PLAIN, version=version), sink)
        async with running(runner.run()):
            await listening(sink)
            told = time.time() - 2.0
            for n in range(20):
                await device.say("gauges/cold", f'{{"x": {n}, "q": "good", "t": {int((told + n / 100) * 1000)}}}')
            await device.say("plc/water", "60.5")
            await device.say("plc/water", "warm")
            await sink.until(lambda s: len(s.of("g.water")) == 2 and len(s.of("g.x")) == 20)
            assert runner.health.up and runner.health.values == 22
    assert [one.value for one in sink.of("g.x")] == list(range(20))
    assert {one.quality for one in sink.of("g.x")} == {GOOD}
    assert sink.of("g.x")[7].time == pytest.approx(told + 0.07, abs=2e-3)
    assert [(one.quality, one.reason) for one in sink.of("g.water")] == [(GOOD, ""), (BAD, "payload is no JSON")]
    assert sink.of("g.water")[0].time == pytest.approx(time.time(), abs=5.0)


async def test_what_the_broker_kept_is_uncertain_at_connect_and_what_comes_later_is_not(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, Device(broker.port) as device:
        await device.say("plc/water", "60.5", retain=True)
        sink = Sink()
        async with running(runner_for(broker_of(broker.port, PLAIN), sink).run()):
            await sink.until(lambda s: s.readings)
            await device.say("plc/water", "61.5", retain=True)
            await sink.until(lambda s: len(s.readings) == 2)
    assert [(one.value, one.quality, one.reason) for one in sink.readings] == [(60.5, UNCERTAIN, "retained"), (61.5, GOOD, "")]


async def test_a_broker_that_goes_away_is_told_once_and_come_back_to(tmp_path: Path) -> None:
    port = free_port()
    sink = Sink()
    runner = runner_for(broker_of(port, X, PLAIN), sink)
    async with running(runner.run()):
        await sink.until(lambda s: s.acts)
        assert sink.acts[0].act == "endpoint_down"
        assert f"no connection to 127.0.0.1:{port}: connection refused" in sink.acts[0].reason
        with Broker(tmp_path, port=port):
            await sink.until(lambda s: len(s.acts) == 2)
        await sink.until(lambda s: len(s.acts) == 3, 20.0)
        with Broker(tmp_path, port=port), Device(port) as device:
            await sink.until(lambda s: len(s.acts) == 4, 30.0)
            await device.say("plc/water", "61.5")
            await sink.until_reading(lambda one: one.value == 61.5)
    assert [act.act for act in sink.acts] == ["endpoint_down", "endpoint_up", "endpoint_down", "endpoint_up"]
    bad = [one for one in sink.readings if one.quality is BAD]
    assert [one.tag for one in bad] == ["g.x", "g.water"] * 2
    assert all((math.isnan(one.value) and one.reason.startswith("no connection: ")) or "refused" in one.reason for one in bad)
    assert runner.health.reconnects == 1


async def test_a_mute_server_is_given_up_in_time_and_cancelling_ends_at_once() -> None:

    async def mute(*_: object) -> None:
        pass

    async with scripted(mute) as port:
        sink = Sink()
        runner = runner_for(broker_of(port, PLAIN, timeout=0.2), sink)
        async with running(runner.run()):
            await sink.until(lambda s: s.acts)
            began = time.monotonic()
        assert time.monotonic() - began < 1.0
    assert "no answer within 0.2 s" in sink.acts[0].reason


async def test_a_wrong_password_is_named_without_being_told(tmp_path: Path) -> None:
    with Broker(tmp_path, passwords={"reader": "only-looks"}) as broker:
        wrong = broker_of(broker.port, PLAIN, user="reader", password="guessed")
        (probed,) = await runner_for(wrong, Sink()).probe([])
    assert "refused: Not authorized (user 'reader')" in probed.reason
    assert "guessed" not in probed.reason + repr(wrong)


async def test_a_subscription_that_the_broker_refuses_is_told() -> None:
    """From a script: CONNACK, then SUBACK with reason 0x87, not authorized (MQTT 5.0, 3.2 and 3.9)."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readexactly((await reader.readexactly(2))[1])
        writer.write(bytes.fromhex("20 03 00 00 00"))
        request = await reader.readexactly((await reader.readexactly(2))[1])
        writer.write(b"\x90\x05" + request[:2] + b"\x00\x87\x01")

    async with scripted(serve) as port:
        sink = Sink()
        runner = runner_for(broker_of(port, X, PLAIN), sink)
        async with running(runner.run()):
            await sink.until(lambda s: s.readings)
            assert runner.health.up
            assert runner.health.reason == "subscription to gauges/cold refused: Not authorized"
    assert [(one.tag, one.reason) for one in sink.readings] == [("g.x", "the broker refused the subscription: Not authorized")]


async def test_tls_with_an_authority_of_ones_own(tmp_path: Path) -> None:
    def openssl(*words: str) -> None:
        subprocess.run(["openssl", *words], cwd=tmp_path, check=True, capture_output=True)

    openssl(
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
        "-days",
        "2",
        "-subj",
        "/CN=plant",
    )
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "b.key", "-out", "b.csr", "-subj", "/CN=localhost")
    (tmp_path / "ext").write_text("subjectAltName=IP:127.0.0.1")
    openssl(
        *["x509", "-req", "-in", "b.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-out", "b.pem", "-days", "2", "-extfile", "ext"]
    )
    tls = free_port()
    extra = f"listener {tls} 127.0.0.1\ncertfile {tmp_path}/b.pem\nkeyfile {tmp_path}/b.key\n"
    with Broker(tmp_path / "broker", extra=extra) as broker, Device(broker.port) as device:
        sink = Sink()
        where = broker_of(tls, PLAIN, tls=True, ca=str(tmp_path / "ca.pem"))
        async with running(runner_for(where, sink).run()):
            await listening(sink)
            await device.say("plc/water", "60.5")
            assert (await sink.until_reading(lambda _: True)).value == 60.5
        (probed,) = await runner_for(broker_of(tls, PLAIN, tls=True), Sink()).probe([])
    assert "TLS failed" in probed.reason and "CERTIFICATE_VERIFY_FAILED" in probed.reason
    assert ssl.HAS_TLSv1_2


async def test_probe_waits_for_the_next_message_and_says_so_when_none_comes(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, Device(broker.port) as device:
        await device.say("plc/water", "60.5", retain=True)
        await device.say("gauges/cold", '{"x": 1}', retain=True)
        where = broker_of(broker.port, X, PLAIN, MqttPoint("g.silent", "gauges/hot"), timeout=1.5)
        probing = asyncio.ensure_future(runner_for(where, Sink()).probe([]))
        while not probing.done():
            await device.say("gauges/cold", '{"x": 4.8}')
            await asyncio.sleep(0.02)
        x, water, silent = await probing
    assert (x.value, x.quality, x.raw, x.detail["retained"]) == (4.8, "good", '{"x": 4.8}', False)
    assert (water.value, water.quality, water.reason) == (60.5, "uncertain", "retained")
    assert silent.reason == "no message within 1.5 s; does the device publish on gauges/hot?"
    assert x.detail["topic"] == "gauges/cold"


class RunnerThatPublishes(MqttRunner):
    """A build with one publish in it: what the check at the wire is there to find."""

    async def probe(self, tags: object = ()) -> list[object]:  # type: ignore[override]
        with Device(self._endpoint.port) as device:
            await device.say("gauges/set", "1")
        return []


async def packets_of(kind: type[MqttRunner], tmp_path: Path) -> set[str]:
    with Broker(tmp_path) as broker, Device(broker.port) as device:
        async with Tap(broker.port) as tap:
            sink = Sink()
            runner = kind(broker_of(tap.port, X, PLAIN, keepalive=1.0, timeout=0.5), sink, WallClock(), lambda: 0.0)
            async with running(runner.run()):
                await listening(sink)
                await device.say("plc/water", "1")
                await sink.until(lambda s: s.of("g.water"))
                async with asyncio.timeout(10.0):  # the acknowledgement leaves after the reading has been handed over
                    while "PUBACK" not in tap.seen():
                        await asyncio.sleep(0.01)
                tap.cut()
                await sink.until(lambda s: [act.act for act in s.acts].count("endpoint_up") == 2, 20.0)
            await runner.probe([])
            return tap.seen()


async def test_it_never_publishes(tmp_path: Path) -> None:
    seen = await packets_of(MqttRunner, tmp_path)
    assert (
        {"CONNECT", "SUBSCRIBE", "PUBACK", "DISCONNECT"} <= seen <= {"CONNECT", "SUBSCRIBE", "PUBACK", "DISCONNECT", "PINGREQ"}
    )


async def test_the_check_objects_to_a_build_that_publishes(tmp_path: Path) -> None:
    assert "PUBLISH" in await packets_of(RunnerThatPublishes, tmp_path)


def test_the_client_itself_cannot_publish() -> None:
    from paho.mqtt.enums import CallbackAPIVersion

    client = Listener(CallbackAPIVersion.VERSION2)
    for method in (client.publish, client.will_set):
        with pytest.raises(PublishRefusedError, match="only listens"):
            method("gauges/set", "1")
    assert issubclass(Listener, Client)
    room = Path(metrepost.endpoints.__file__).parent
    assert [path.name for path in room.glob("*.py") if "paho.mqtt" in path.read_text()] == ["mqtt_link.py"]
