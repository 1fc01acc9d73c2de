"""A device that publishes, and a proxy that knows the control packets of MQTT."""

import asyncio
import contextlib
from collections.abc import Iterator, Sequence
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from metrepost.endpoints.plan import MqttEndpoint, MqttPoint

NAMES = {1: "CONNECT", 3: "PUBLISH", 4: "PUBACK", 8: "SUBSCRIBE", 10: "UNSUBSCRIBE", 12: "PINGREQ", 14: "DISCONNECT"}


def broker_of(port: int, *points: MqttPoint, **settings: Any) -> MqttEndpoint:
    return MqttEndpoint("gauges", "127.0.0.1", port, points, **({"timeout": 5.0} | settings))


class Device:
    """Publishes on a connection of its own. A context manager."""

    def __init__(self, port: int) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="device", protocol=MQTTProtocolVersion.MQTTv5)
        self._port = port

    def __enter__(self) -> "Device":
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    async def say(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        """Publish, and wait until the broker has it."""
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        await asyncio.to_thread(info.wait_for_publish, 10.0)


def packets(sent: bytes) -> Iterator[int]:
    """The types of the control packets in what a client sent (MQTT 5.0, 2.1: type in the high nibble, then a variable length)."""
    at = 0
    while at < len(sent):
        kind, length, shift = sent[at] >> 4, 0, 0
        at += 1
        while at < len(sent):
            byte = sent[at]
            at += 1
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                break
        at += length
        yield kind


class Tap:
    """A TCP proxy that keeps what the client sends."""

    def __init__(self, target: int) -> None:
        self._target = target
        self.port = 0
        self.sent: list[bytearray] = []
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._writers: set[asyncio.StreamWriter] = set()

    async def __aenter__(self) -> "Tap":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=2.0)

    def cut(self) -> None:
        for writer in list(self._writers):
            writer.transport.abort()

    def seen(self) -> set[str]:
        return {NAMES.get(kind, str(kind)) for sent in self.sent for kind in packets(bytes(sent))}

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        kept = bytearray()
        self.sent.append(kept)
        pair: Sequence[asyncio.StreamWriter] = (writer, far_writer)
        self._writers |= set(pair)
        await asyncio.gather(self._pump(reader, far_writer, kept), self._pump(far_reader, writer, None))
        for each in pair:
            self._writers.discard(each)
            each.transport.abort()

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, keep: bytearray | None) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                if keep is not None:
                    keep += data
                writer.write(data)
                await writer.drain()
        writer.transport.abort()
