"""The judge's witness: an MQTT 5 subscriber with a session that outlives its connections; writes every message as it came.

One JSON object a line: `topic`, `payload` (text), `retain`, `time` (wall clock). Nothing is filtered, sorted or made one.
"""

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

TOPICS = ("event", "rollup", "alarm", "state")


class Subscriber:
    """A context manager. `last` is the last payload on a topic's first level, `count` how many messages of that level came."""

    def __init__(self, port: int, root: str, file: Path) -> None:
        self._port = port
        self._root = root
        self._file = file.open("a", encoding="utf-8")
        self._news = threading.Condition()
        self._subscribed = threading.Event()
        self.ids: set[str] = set()
        self.starts = self.stops = 0
        client = Client(CallbackAPIVersion.VERSION2, client_id="fault-rig-judge", protocol=MQTTProtocolVersion.MQTTv5)
        client.reconnect_delay_set(0.05, 0.2)  # type: ignore[arg-type]
        client.on_connect = self._connected
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = self._message
        self._client = client

    def _connected(self, client: Client, _userdata: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if flags.session_present:
            self._subscribed.set()
        elif not reason.is_failure:
            client.subscribe([(f"{self._root}{t}/#", 1) for t in TOPICS])

    def _message(self, _client: Client, _userdata: Any, message: Any) -> None:
        text = message.payload.decode()
        row = {"topic": message.topic, "payload": text, "retain": message.retain, "time": time.time()}
        level = message.topic.removeprefix(self._root).partition("/")[0]
        with self._news:
            self._file.write(json.dumps(row) + "\n")
            if level == "event":
                event = json.loads(text)
                if event["id"] not in self.ids and message.topic.endswith("/configuration"):
                    self.starts += event["data"]["what"] == "start"
                    self.stops += event["data"]["what"] == "stop"
                self.ids.add(event["id"])
            self._news.notify_all()

    def __enter__(self) -> Self:
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 24 * 3600
        self._client.connect("127.0.0.1", self._port, clean_start=False, properties=session)
        self._client.loop_start()
        if not self._subscribed.wait(20):
            self.__exit__()
            raise RuntimeError("the judge could not subscribe")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._file.close()

    def wait(self, done: Callable[[], bool], timeout: float) -> bool:
        """Wait until `done` holds; whether it did."""
        with self._news:
            return self._news.wait_for(done, timeout)
