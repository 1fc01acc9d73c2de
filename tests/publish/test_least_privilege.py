"""The broker configuration that is shipped, on a real broker: who may do what, and nobody more."""

import asyncio
import os
import pwd
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from support_broker import Broker, Recorder
from support_journal import ROOT, note, rollup
from support_publish import publishing
from support_tls import Authority

pytestmark = pytest.mark.broker

SHIPPED = Path(__file__).parents[2] / "config" / "broker"
PASSWORDS = {"core-3": "of the daemon", "historian": "of the reader", "stranger": "of nobody in the list"}
NEIGHBOUR = ROOT.replace("core-3", "core-4")
NOT_AUTHORIZED = 0x87
"""Reason code of CONNACK, PUBACK and SUBACK (MQTT 5.0, 2.4)."""


class Shipped(Broker):
    """A broker with the shipped files: only the folders, the port and the user it runs as are those of the test."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, passwords=PASSWORDS)
        authority = Authority(folder, "ca")
        self.ca = authority.ca
        authority.issue("broker", server=True)
        (folder / "acl").write_bytes((SHIPPED / "acl").read_bytes())
        (folder / "acl").chmod(0o600)
        text = (SHIPPED / "mosquitto.conf").read_text()
        for shipped, ours in (
            ("/etc/mosquitto/metrepost/", f"{folder}/"),
            ("/var/lib/mosquitto/", f"{folder}/"),
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
        ):
            assert shipped in text
            text = text.replace(shipped, ours)
        user = pwd.getpwuid(os.getuid()).pw_name
        (folder / "mosquitto.conf").write_text(f"{text}\nuser {user}\nlog_dest file {folder}/mosquitto.log\n")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Shipped]:
    with Shipped(tmp_path / "broker") as running:
        yield running


class Person:
    """A client that tells the broker's answers. A context manager; `connected` is the reason code of CONNACK."""

    def __init__(self, broker: Shipped, user: str = "", password: str | None = None) -> None:
        self.messages: list[str] = []
        self._answers: dict[int, int] = {}
        self._news = threading.Condition()
        self._port = broker.port
        self.connected = -1
        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        client.tls_set(broker.ca)
        if user:
            client.username_pw_set(user, PASSWORDS[user] if password is None else password)
        client.on_connect = lambda _c, _u, _f, reason, _p: self._told(0, reason.value)
        client.on_publish = lambda _c, _u, number, reason, _p: self._told(number, reason.value)
        client.on_subscribe = lambda _c, _u, number, reasons, _p: self._told(number, reasons[0].value)
        client.on_message = self._message
        self._client = client

    def _told(self, number: int, code: int) -> None:
        with self._news:
            self._answers[number] = code
            self._news.notify_all()

    def _message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        self.messages.append(message.topic)

    def _answer(self, number: int) -> int:
        with self._news:
            assert self._news.wait_for(lambda: number in self._answers, 20), "the broker did not answer"
            return self._answers[number]

    def __enter__(self) -> "Person":
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        self.connected = self._answer(0)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def publish(self, topic: str) -> int:
        """The reason code of PUBACK."""
        return self._answer(self._client.publish(topic, b"forged", qos=1, retain=True).mid)

    def subscribe(self, topics: str) -> int:
        """The reason code of SUBACK."""
        number = self._client.subscribe(topics, qos=1)[1]
        assert number is not None
        return self._answer(number)


def reader(broker: Shipped) -> Recorder:
    return Recorder(broker.port, user="historian", password=PASSWORDS["historian"], ca=broker.ca)


async def test_the_daemon_tells_its_line_and_the_historian_reads_it(broker: Shipped, tmp_path: Path) -> None:
    """Events, rollups and the retained state with its will, by the real publisher."""
    with reader(broker) as recorder:
        settings: dict[str, Any] = {"tls": True, "ca": broker.ca, "user": "core-3", "password": PASSWORDS["core-3"]}
        async with publishing(tmp_path / "state", broker.port, **settings) as p:
            await p.journal.commit([note(), rollup()])
            await asyncio.wait_for(p.journal.drained(), 20)
            assert p.publisher.statistics().refused == 0
            await recorder.until(
                lambda ms: {"event", "rollup", "state"} <= {m.topic.removeprefix(ROOT).split("/")[0] for m in ms}, 20
            )


def test_the_daemon_cannot_write_elsewhere_nor_read(broker: Shipped) -> None:
    elsewhere = [
        NEIGHBOUR + "event/flaw",
        NEIGHBOUR + "state",
        ROOT.replace("northmere", "elsewhere") + "state",
        ROOT.replace("core-3/", "core-31/") + "state",
        "metrepost/v1/state",
        "metrepost/v2/northmere/extrusion/core-3/state",
        "plant/press-7/setpoint",
    ]
    with reader(broker) as recorder, Person(broker, "core-3") as daemon:
        daemon.subscribe("#")
        assert {topic: daemon.publish(topic) for topic in elsewhere} == dict.fromkeys(elsewhere, NOT_AUTHORIZED)
        assert daemon.publish(ROOT + "event/note") < 0x80
        # a broker passes the messages of one client on in order: what came before would be here
        recorder.wait(lambda ms: bool(ms), 20)
        assert [m.topic for m in recorder.messages] == [ROOT + "event/note"]
        assert daemon.publish(ROOT + "event/note") < 0x80
        assert not daemon.messages, "it may not even read what it writes"


@pytest.mark.parametrize("user", ["historian", "stranger"])
def test_nobody_else_writes(broker: Shipped, user: str) -> None:
    with reader(broker) as recorder, Person(broker, user) as person, Person(broker, "core-3") as daemon:
        for topic in (ROOT + "event/flaw", ROOT + "state", "elsewhere"):
            assert person.publish(topic) == NOT_AUTHORIZED
        assert daemon.publish(ROOT + "event/note") < 0x80
        recorder.wait(lambda ms: bool(ms), 20)
        assert [m.topic for m in recorder.messages] == [ROOT + "event/note"]


def test_a_user_without_rights_reads_nothing(broker: Shipped) -> None:
    with reader(broker) as recorder, Person(broker, "stranger") as person, Person(broker, "core-3") as daemon:
        person.subscribe("#")
        assert daemon.publish(ROOT + "event/note") < 0x80
        recorder.wait(lambda ms: bool(ms), 20)
        person.publish("elsewhere")  # its answer comes behind whatever was passed on
        assert not person.messages


@pytest.mark.parametrize(("user", "password"), [("", None), ("core-3", "wrong"), ("core-3", "")])
def test_without_a_right_password_nobody_comes_in(broker: Shipped, user: str, password: str | None) -> None:
    with Person(broker, user, password) as person:
        assert person.connected in (NOT_AUTHORIZED, 0x86)


async def test_without_tls_nobody_comes_in(broker: Shipped, tmp_path: Path) -> None:
    settings: dict[str, Any] = {"user": "core-3", "password": PASSWORDS["core-3"]}
    async with publishing(tmp_path / "state", broker.port, **settings) as p:
        await p.journal.commit([note()])
        while p.publisher.statistics().failures < 2:
            await asyncio.sleep(0.01)
        assert p.publisher.statistics().connections == 0
