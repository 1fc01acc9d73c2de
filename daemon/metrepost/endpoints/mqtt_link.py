"""One connection to a broker, listening only: the fence round paho, and the only place that imports it here.

A connection is made new for each attempt and never used again; paho's own reconnection is off. It runs in a thread of its own,
because connecting blocks for name look-up, TCP and TLS; everything it says is handed to the loop. What paho does and what is done
about it (paho-mqtt 2.2.0): an exception in a callback ends its thread while it still calls itself connected, so the end of the
thread is the end of the connection here.

Read-only: it subscribes, acknowledges and pings. The client's `publish` and `will_set` are taken away; a test watches the wire.
"""

import asyncio
import contextlib
import secrets
import ssl
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ..tls import TlsFilesError, broker_context
from .contract import Clock
from .mqtt_decode import Message
from .plan import MqttEndpoint

ROOM = 10_000
"""Messages that may wait while the loop is busy; more are dropped and counted."""

Arrived = Callable[[Sequence[tuple[str, Message]], int], None]
"""Gets topics and messages in order of arrival, and how many were dropped before them."""


class PublishRefusedError(RuntimeError):
    """Somebody tried to publish: a bug, and nothing has been sent."""


class Listener(Client):
    """A client that cannot publish, and leaves no will."""

    def publish(self, *_: Any, **__: Any) -> NoReturn:
        """Refused."""
        raise PublishRefusedError("this program only listens to devices")

    def will_set(self, *_: Any, **__: Any) -> NoReturn:
        """Refused."""
        raise PublishRefusedError("this program only listens to devices")


class MqttLink:
    """One connection, used once: `open`, await `lost`, `close`."""

    def __init__(self, endpoint: MqttEndpoint, topics: Sequence[str], arrived: Arrived, clock: Clock, suffix: str = "") -> None:
        """`suffix` sets a second connection's client id apart: a broker ends the first of two that have one."""
        self._endpoint = endpoint
        self._topics = tuple(topics)
        self._arrived = arrived
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self._open: asyncio.Future[str] = self._loop.create_future()
        self._lost: asyncio.Future[str] = self._loop.create_future()
        self._closing = threading.Event()
        self._waiting: deque[tuple[str, bytes, bool, float]] = deque()
        self._dropped = 0
        self._guard = threading.Lock()
        self.refused: dict[str, str] = {}
        """Topics whose subscription the broker refused, with its reason."""
        self.heard = False
        """Whether any message has come."""
        self._why = ""
        v5 = endpoint.version == "5"
        name = endpoint.client_id + suffix if endpoint.client_id else f"metrepost-{secrets.token_hex(5)}"
        client = Listener(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            clean_session=None if v5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.connect_timeout = endpoint.timeout
        if endpoint.user:
            client.username_pw_set(endpoint.user, endpoint.password or None)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        self._client = client

    async def open(self) -> str:
        """Connect and subscribe. Returns "" when that is done, else why not."""
        endpoint = self._endpoint
        threading.Thread(target=self._work, name=f"{endpoint.name} mqtt", daemon=True).start()
        try:
            async with asyncio.timeout(endpoint.timeout):
                why = await asyncio.shield(self._open)
        except TimeoutError:
            why = f"no answer within {endpoint.timeout:g} s"
        return why and f"no connection to {endpoint.host}:{endpoint.port}: {why}"

    async def lost(self) -> str:
        """Wait until the connection is gone. Returns why."""
        return await asyncio.shield(self._lost)

    def close(self) -> None:
        """Take leave. The thread ends by itself, at the latest when its attempt to connect does."""
        self._closing.set()
        with contextlib.suppress(OSError, ValueError):
            self._client.disconnect()

    # ---- in paho's thread ---------------------------------------------------------------------------------------------

    def _work(self) -> None:
        why, context = "", None
        endpoint = self._endpoint
        try:
            if endpoint.tls:
                context = broker_context(endpoint.ca, endpoint.certificate, endpoint.key)
                self._client.tls_set_context(context)
            self._client.connect(endpoint.host, endpoint.port, max(1, round(endpoint.keepalive)))
            if self._closing.is_set():
                self._client.disconnect()
            self._client.loop_forever(retry_first_connection=False)
        except TlsFilesError as error:
            why = str(error)
        except ssl.SSLError as error:
            why = f"TLS failed: {error.reason or error}"
        except OSError as error:
            why = (error.strerror or str(error)).lower()
        except Exception as error:  # noqa: BLE001 a foreign library raises many types on nonsense; told through `lost`
            why = f"{type(error).__name__}: {error}"
        finally:
            # with paho's socket closed here, none is left to the garbage collector
            for sock in (self._client.socket(), context.wrapped if context else None):
                if sock is not None:
                    with contextlib.suppress(OSError):
                        sock.close()
            self._tell(self._end, why or self._why or "the broker closed the connection")

    def _connected(self, client: Client, _userdata: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        if reason.is_failure:
            login = f"user {self._endpoint.user!r}" if self._endpoint.user else "no user given"
            self._why = f"refused: {reason} ({login})"
            return
        if not self._topics:
            self._tell(self._settle_open, "")
        elif self._endpoint.version == "5":
            client.subscribe([(topic, SubscribeOptions(qos=self._endpoint.qos)) for topic in self._topics])
        else:
            client.subscribe([(topic, int(self._endpoint.qos)) for topic in self._topics])

    def _subscribed(self, _client: Client, _userdata: Any, _mid: int, reasons: Sequence[ReasonCode], _properties: Any) -> None:
        refused = {topic: str(reason) for topic, reason in zip(self._topics, reasons, strict=False) if reason.is_failure}
        self._tell(self._settle_open, "", refused)

    def _disconnected(self, _client: Client, _userdata: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        self._why = self._why or f"the connection ended: {reason}"

    def _message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        with self._guard:
            first = not self._waiting
            if len(self._waiting) >= ROOM:
                self._dropped += 1
                return
            self._waiting.append((message.topic, bytes(message.payload), message.retain, message.timestamp))
        if first:
            self._tell(self._drain)

    def _tell(self, what: Callable[..., None], *values: Any) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            self._loop.call_soon_threadsafe(what, *values)

    # ---- in the loop --------------------------------------------------------------------------------------------------

    def _settle_open(self, why: str, refused: dict[str, str] | None = None) -> None:
        self.refused = refused or {}
        if not self._open.done():
            self._open.set_result(why)

    def _end(self, why: str) -> None:
        self._settle_open(why)
        if not self._lost.done():
            self._lost.set_result(why)

    def _drain(self) -> None:
        with self._guard:
            taken, self._waiting = self._waiting, deque()
            dropped, self._dropped = self._dropped, 0
        if self._closing.is_set():
            return
        self.heard = True
        # paho stamps a message with the monotonic clock when it has read it
        offset = self._clock.line_time() - self._clock.monotonic()
        self._arrived([(topic, Message(payload, offset + at, retained)) for topic, payload, retained, at in taken], dropped)
