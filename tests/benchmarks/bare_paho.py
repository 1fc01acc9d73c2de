"""The floor that delivery is measured against: paho alone, QoS 1, MQTT 5, on the event loop without a thread."""

import asyncio
import itertools
import socket
import time
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from metrepost.journal import Row
from support_journal import ROOT

WINDOW = 50


async def bare(port: int, rows: list[Row]) -> float:
    """Rows a second of paho alone, on the event loop: the plainest form its documentation describes."""
    loop = asyncio.get_running_loop()
    connected, done = asyncio.Event(), asyncio.Event()
    left = iter(rows)
    acknowledged = 0

    def acked(*_: Any) -> None:
        nonlocal acknowledged
        acknowledged += 1
        if acknowledged == len(rows):
            done.set()
        if (row := next(left, None)) is not None:
            client.publish(ROOT + row.topic, row.payload, qos=1)

    client = Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTProtocolVersion.MQTTv5)
    client.max_inflight_messages_set(0)  # the window below is the limit; paho's own costs time
    client.on_connect = lambda *_: connected.set()
    client.on_publish = acked
    client.connect("127.0.0.1", port)
    sock = client.socket()
    assert isinstance(sock, socket.socket)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.on_socket_register_write = lambda _c, _u, s: loop.add_writer(s, client.loop_write)
    client.on_socket_unregister_write = lambda _c, _u, s: loop.remove_writer(s)
    loop.add_reader(sock, client.loop_read)
    await connected.wait()
    began = time.perf_counter()
    for row in itertools.islice(left, WINDOW):
        client.publish(ROOT + row.topic, row.payload, qos=1)
    await done.wait()
    took = time.perf_counter() - began
    loop.remove_reader(sock)
    client.on_socket_register_write = client.on_socket_unregister_write = None
    client.disconnect()
    return len(rows) / took
