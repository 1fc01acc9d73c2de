"""A subscriber that writes what arrives at the broker: one CloudEvent a line, each row once, byte for byte."""

import asyncio
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import structlog
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

log = structlog.get_logger("metrepost.recorder")


class Recorder:
    """Writes ``event/#`` to events.jsonl and ``rollup/#`` to rollups.jsonl in a folder.

    paho's own thread runs the connection; nothing but this object's files is touched from it. `ready` is set on the loop once the
    subscription stands.
    """

    def __init__(self, host: str, port: int, root: str, folder: Path) -> None:
        self.counts = {"event": 0, "rollup": 0}
        self.ready = asyncio.Event()
        self._host, self._port, self._root = host, port, root
        self._loop = asyncio.get_running_loop()
        self._files = {"event": (folder / "events.jsonl").open("wb"), "rollup": (folder / "rollups.jsonl").open("wb")}
        self._last: dict[tuple[str, str], str] = {}
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"recorder-{port}", protocol=mqtt.MQTTv5)
        self._client.suppress_exceptions = True  # an exception would end paho's thread and say nothing
        self._client.on_connect = self._connected
        self._client.on_subscribe = self._subscribed
        self._client.on_message = self._message

    async def start(self) -> None:
        """Connect and subscribe. Raises OSError when the broker does not answer, TimeoutError when it does not grant."""
        await asyncio.to_thread(self._client.connect, self._host, self._port)
        self._client.loop_start()
        async with asyncio.timeout(10):
            await self.ready.wait()

    async def stop(self) -> None:
        """Disconnect and close the files."""
        self._client.disconnect()
        await asyncio.to_thread(self._client.loop_stop)
        for file in self._files.values():
            file.close()

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _props: Properties | None) -> None:
        if not reason.is_failure:
            client.subscribe([(f"{self._root}event/#", 1), (f"{self._root}rollup/#", 1)])

    def _subscribed(self, *_: Any) -> None:
        self._loop.call_soon_threadsafe(self.ready.set)

    def _message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        stream = message.topic[len(self._root) :].partition("/")[0]
        # equal ids mean equal rows: what comes twice after an outage is written once
        identity = message.payload[message.payload.find(b'"id":"') + 6 :][:40].decode("ascii", "replace")
        key = (stream, message.topic)
        if self._last.get(key) == identity:
            return
        self._last[key] = identity
        self._files[stream].write(message.payload + b"\n")
        self.counts[stream] += 1
