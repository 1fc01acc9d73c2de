"""A real Mosquitto on a free port, and a subscriber that records what arrives."""

import asyncio
import os
import pwd
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, Self

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

SERVER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
PASSWD = shutil.which("mosquitto_passwd") or shutil.which("mosquitto_passwd", path="/usr/bin:/usr/sbin")


def need_mosquitto() -> str:
    """The path of the server. Without it a test is skipped, or fails where CI=true."""
    if SERVER is not None:
        return SERVER
    missing = "the broker `mosquitto` is missing: apt-get install mosquitto"
    if os.environ.get("CI") == "true":
        pytest.fail(missing)
    pytest.skip(missing)


def free_port() -> int:
    """A TCP port of the loopback interface that nothing listens on."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


class Broker:
    """A Mosquitto of one's own: configuration generated in `folder`, loopback only. A context manager.

    `passwords` maps users to passwords and shuts anonymous clients out; `acl` and `extra` are lines of its configuration.
    """

    def __init__(
        self,
        folder: Path,
        *,
        persistence: bool = False,
        passwords: dict[str, str] | None = None,
        acl: str = "",
        extra: str = "",
        port: int | None = None,
    ) -> None:
        self._server = need_mosquitto()
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.port = port or free_port()
        self._process: subprocess.Popen[bytes] | None = None
        me = pwd.getpwuid(os.getuid()).pw_name
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"user {me}",  # as root it would become another user and could not write its store
            "log_dest file " + str(folder / "mosquitto.log"),
            "log_type all",
            # without limits of its own, so that what is lost was lost by us
            "max_inflight_messages 0",
            "max_queued_messages 0",
            "queue_qos0_messages true",
            f"persistence {'true' if persistence else 'false'}",
            "autosave_interval 0",
        ]
        if persistence:
            lines.append(f"persistence_location {folder}/")
        if passwords is None:
            lines.append("allow_anonymous true")
        else:
            file = folder / "passwords"
            file.touch(mode=0o600)
            for user, password in passwords.items():
                subprocess.run([str(PASSWD), "-b", str(file), user, password], check=True, capture_output=True)
            lines += ["allow_anonymous false", f"password_file {file}"]
        if acl:
            (folder / "acl").write_text(acl)
            (folder / "acl").chmod(0o600)
            lines.append(f"acl_file {folder / 'acl'}")
        (folder / "mosquitto.conf").write_text("\n".join([*lines, extra]) + "\n")

    def start(self) -> Self:
        """Start it and wait until it listens."""
        self._process = subprocess.Popen(
            [self._server, "-c", str(self.folder / "mosquitto.conf")],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return self
            except OSError:
                log = self.folder / "mosquitto.log"
                if self._process.poll() is not None or time.monotonic() > until:
                    pytest.fail(f"mosquitto did not start: {log.read_text()[-2000:] if log.exists() else 'no log'}")
                time.sleep(0.01)

    def _end(self, number: int) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(10)
            self._process = None

    def save(self) -> None:
        """Have it write its store now (SIGUSR1)."""
        assert self._process is not None
        store = self.folder / "mosquitto.db"
        before = store.stat().st_mtime_ns if store.exists() else 0
        self._process.send_signal(signal.SIGUSR1)
        until = time.monotonic() + 10
        while not store.exists() or store.stat().st_mtime_ns == before:
            assert time.monotonic() < until, "the broker wrote no store"
            time.sleep(0.01)

    def stop(self) -> None:
        """End it in good order: it writes its store."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def pause(self) -> None:
        """Freeze it: connections stay, nothing is answered."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.kill()


class Message(NamedTuple):
    """One message as it arrived. `time` is monotonic."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    content_type: str
    time: float


class Recorder:
    """An MQTT 5 subscriber with a session that outlives its connections; records every message. A context manager."""

    def __init__(
        self,
        port: int,
        topics: str = "#",
        *,
        user: str = "",
        password: str = "",
        client_id: str = "recorder",
        qos: int = 1,
        ca: str = "",
    ) -> None:
        self._qos = qos
        self.messages: list[Message] = []
        self._news = threading.Condition()
        self._port = port
        self._topics = topics
        self._subscribed = threading.Event()
        client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5)
        client.reconnect_delay_set(0.02, 0.1)  # type: ignore[arg-type]
        if user:
            client.username_pw_set(user, password)
        if ca:
            client.tls_set(ca)
        client.on_connect = self._connected
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = self._message
        self._client = client

    def _connected(self, client: Client, _userdata: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if flags.session_present:
            self._subscribed.set()
        elif not reason.is_failure:
            client.subscribe(self._topics, qos=self._qos)

    def _message(self, _client: Client, _userdata: Any, message: Any) -> None:
        kind = getattr(message.properties, "ContentType", "")
        with self._news:
            self.messages.append(Message(message.topic, message.payload, message.qos, message.retain, kind, time.monotonic()))
            self._news.notify_all()

    def __enter__(self) -> Self:
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 3600
        self._client.connect("127.0.0.1", self._port, clean_start=False, properties=session)
        self._client.loop_start()
        assert self._subscribed.wait(10), "not subscribed"
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def wait(self, done: Callable[[list[Message]], bool], timeout: float = 10.0) -> None:
        """Wait until `done` says so of all messages so far."""
        with self._news:
            if not self._news.wait_for(lambda: done(self.messages), timeout):
                raise AssertionError(f"waited {timeout} s in vain; {len(self.messages)} messages, last {self.messages[-3:]}")

    async def until(self, done: Callable[[list[Message]], bool], timeout: float = 10.0) -> None:
        """The same, without blocking the loop."""
        await asyncio.to_thread(self.wait, done, timeout)

    def payloads(self, beginning: str) -> list[bytes]:
        """Payloads of all messages whose topic begins so, in order of arrival."""
        return [m.payload for m in list(self.messages) if m.topic.startswith(beginning)]
