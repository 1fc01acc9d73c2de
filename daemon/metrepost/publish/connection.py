"""One MQTT 5 connection: paho driven by the event loop, without a thread of its own. The only home of paho.

A connection is made new for each attempt and never used again: what paho still holds of a broken one is dropped, and the
publisher sends from its cursors. paho's own limits are put out of use (no in-flight limit, no reconnect, no resend); the
window in `mqtt.py` rules. Truth about delivery is the PUBACK alone.
"""

import asyncio
import socket
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any, NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ..tls import BrokerContext, TlsFilesError, broker_context
from .cloudevents import CONTENT_TYPE
from .plan import MqttPlan

Acknowledged = Callable[[int, int], None]
"""Called with the message id and the reason code of a PUBACK."""


class ConnectionFailedError(Exception):
    """The broker could not be reached, or the connection broke. The message says how."""


class RefusedError(ConnectionFailedError):
    """The broker answered, and refused the login."""


class Granted(NamedTuple):
    """What the broker allows: QoS 1 messages outstanding, and the largest packet in bytes (None: no limit)."""

    receive_maximum: int
    maximum_packet_size: int | None


_REFUSED_LOGIN = {0x85, 0x86, 0x87, 0x8A, 0x8C}
"""CONNACK reasons that only a person can mend: client id, user or password, not authorised, banned, authentication method."""
_DISCONNECT_WITH_WILL = 0x04


class _Packed(Properties):
    """PUBLISH properties that are packed once: paho packs them for every message, which costs as much as sending it."""

    def __init__(self, content_type: str) -> None:
        super().__init__(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        self.ContentType = content_type
        self.PayloadFormatIndicator = 1
        object.__setattr__(self, "_bytes", super().pack())  # type: ignore[no-untyped-call]

    def pack(self) -> bytes:
        """The packed properties."""
        packed: bytes = object.__getattribute__(self, "_bytes")
        return packed


CLOUDEVENT = _Packed(CONTENT_TYPE)
JSON = _Packed("application/json")


class Connection:
    """A connection to one broker. `open` it, `send` on it, await `lost`, `close` it; then throw it away."""

    def __init__(self, plan: MqttPlan, client_id: str, will: tuple[str, bytes], acknowledged: Acknowledged) -> None:
        """`will` is the topic and payload that the broker publishes (retained, QoS 1) when this connection breaks."""
        self._plan = plan
        self._loop = asyncio.get_running_loop()
        self._acknowledged = acknowledged
        self._granted: asyncio.Future[Granted] = self._loop.create_future()
        self._misc: asyncio.TimerHandle | None = None
        self._tls: BrokerContext | None = None
        self._on_room: Callable[[], None] | None = None
        self._on_acknowledged: Callable[[], None] | None = None
        self._watched = False
        self._reading = False
        self.lost: asyncio.Future[str] = self._loop.create_future()
        """Done when the connection is gone; its result says why."""

        client = Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5, reconnect_on_failure=False
        )
        client.connect_timeout = plan.connect_timeout
        client.max_inflight_messages_set(0)
        if plan.user:
            client.username_pw_set(plan.user, plan.password or None)
        client.will_set(will[0], will[1], qos=1, retain=True, properties=None)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        self._client = client

    async def open(self) -> Granted:
        """Connect and log in. Raises RefusedError or ConnectionFailedError; the connection is then of no further use."""
        plan = self._plan
        where = f"{plan.host}:{plan.port}"
        try:
            if plan.tls:
                self._tls = await self._loop.run_in_executor(None, broker_context, plan.ca, plan.certificate, plan.key)
                self._client.tls_set_context(self._tls)
            # TCP, then TLS, each within connect_timeout; then the broker's answer
            async with asyncio.timeout(3 * plan.connect_timeout):
                await self._connect_in_thread()
                self._watch()
                return await self._granted
        except TimeoutError as error:
            self._drop("no answer in time")
            raise ConnectionFailedError(f"the broker at {where} gave no answer in time") from error
        except TlsFilesError as error:
            self._drop("TLS files")
            raise ConnectionFailedError(str(error)) from error
        except ssl.SSLError as error:
            self._drop("TLS failed")
            raise ConnectionFailedError(f"TLS with the broker at {where} failed: {error.reason or error}") from error
        except OSError as error:
            self._drop("not reached")
            raise ConnectionFailedError(f"the broker at {where} cannot be reached: {error.strerror or error}") from error
        except BaseException:
            self._drop("given up")
            raise

    async def _connect_in_thread(self) -> None:
        # paho's connect blocks for TCP, name look-up and TLS. A daemon thread, not an executor: a mute server must not hold
        # up the end of the process.
        done: asyncio.Future[None] = self._loop.create_future()
        given_up = threading.Event()

        def settle(error: Exception | None) -> None:
            if done.done():  # given up between the thread's last look and here
                self._close_socket()
            elif error is None:
                done.set_result(None)
            else:
                done.set_exception(error)

        def work() -> None:
            error: Exception | None = None
            try:
                self._client.connect(self._plan.host, self._plan.port, self._plan.keepalive, clean_start=True)
            except Exception as caught:  # noqa: BLE001 handed to the loop, where it is raised
                error = caught
                if self._tls is not None and self._tls.wrapped is not None:
                    self._tls.wrapped.close()
            if given_up.is_set():
                self._close_socket()
                return
            with suppress(RuntimeError):  # the loop has ended meanwhile
                self._loop.call_soon_threadsafe(settle, error)

        threading.Thread(target=work, name="mqtt-connect", daemon=True).start()
        try:
            await done
        except BaseException:
            given_up.set()
            raise

    # ---- sockets ------------------------------------------------------------------------------------------------------

    def _watch(self) -> None:
        sock = self._client.socket()
        if sock is None:
            raise ConnectionFailedError("the broker closed the connection at once")
        if isinstance(sock, socket.socket):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._watched = True
        self._client.on_socket_close = self._unwatch
        self._client.on_socket_register_write = self._want_write
        self._client.on_socket_unregister_write = self._wrote
        self._loop.add_reader(sock, self._readable)
        if self._client.want_write():
            self._loop.add_writer(sock, self._writable)
        self._misc = self._loop.call_later(1.0, self._every_second)

    def _unwatch(self, _client: Client, _userdata: Any, sock: Any) -> None:
        self._watched = False
        self._loop.remove_reader(sock)
        self._loop.remove_writer(sock)

    def _want_write(self, _client: Client, _userdata: Any, sock: Any) -> None:
        self._loop.add_writer(sock, self._writable)

    def _wrote(self, _client: Client, _userdata: Any, sock: Any) -> None:
        self._loop.remove_writer(sock)
        if self._on_room is not None:
            self._loop.call_soon(self._on_room)

    def _readable(self) -> None:
        self._guarded(self._read)

    def _read(self) -> None:
        self._reading = True
        try:
            self._client.loop_read()
            # bytes that TLS has already decrypted wake no selector
            while isinstance(sock := self._client.socket(), ssl.SSLSocket) and sock.pending() > 0:
                self._client.loop_read()
        finally:
            self._reading = False
        if self._on_acknowledged is not None:
            self._on_acknowledged()

    def _writable(self) -> None:
        # Read first: a broker that refuses a message may answer and hang up, and paho throws away what it has not read when
        # a write fails.
        self._guarded(self._read)
        self._guarded(self._client.loop_write)

    def _every_second(self) -> None:
        self._misc = self._loop.call_later(1.0, self._every_second)
        self._guarded(self._client.loop_misc)

    def _guarded(self, step: Callable[[], object]) -> None:
        """What the broker sends must never raise into the loop, where it would only be logged and the connection stay."""
        try:
            step()
        except Exception as error:  # noqa: BLE001 told through `lost`; a foreign library raises many types on nonsense
            self._drop(f"{type(error).__name__}: {error}")

    # ---- what paho tells ----------------------------------------------------------------------------------------------

    def _connected(
        self, _client: Client, _userdata: Any, _flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if self._granted.done():
            return
        if reason.is_failure:
            kind = RefusedError if reason.value in _REFUSED_LOGIN else ConnectionFailedError
            login = f"user {self._plan.user!r}" if self._plan.user else "no user given"
            self._granted.set_exception(
                kind(f"the broker at {self._plan.host}:{self._plan.port} refused the connection: {reason} ({login})")
            )
            return
        self._granted.set_result(
            Granted(getattr(properties, "ReceiveMaximum", 65_535), getattr(properties, "MaximumPacketSize", None))
        )

    def _disconnected(self, _client: Client, _userdata: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        self._settle(str(reason))

    def _published(self, _client: Client, _userdata: Any, mid: int, reason: ReasonCode, _properties: Any) -> None:
        # paho calls this for a QoS 0 message too, when it is written. Its id may be that of an outstanding one (65 535 ids
        # serve both), so only what comes while reading is a PUBACK.
        if self._reading:
            self._acknowledged(mid, reason.value)

    def _settle(self, why: str) -> None:
        if self._misc is not None:
            self._misc.cancel()
            self._misc = None
        if not self._granted.done():
            self._granted.set_exception(ConnectionFailedError(f"the broker closed the connection: {why}"))
        if not self.lost.done():
            self.lost.set_result(why)

    # ---- use ----------------------------------------------------------------------------------------------------------

    def when(self, *, room: Callable[[], None], read: Callable[[], None]) -> None:
        """Call `room` whenever all that waited for the socket is written, `read` after each batch of acknowledgements."""
        self._on_room, self._on_acknowledged = room, read

    @property
    def congested(self) -> bool:
        """Whether bytes wait for the socket."""
        return self._client.want_write()

    def send(self, topic: str, payload: bytes, *, retain: bool = False, properties: Properties = JSON) -> int:
        """Send at QoS 1; returns the message id that its PUBACK will carry. Raises ConnectionFailedError when it is gone."""
        info = self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._drop(f"paho could not send: {info.rc!r}")
            raise ConnectionFailedError("the connection is gone")
        return info.mid

    def send_and_forget(self, topic: str, payload: bytes) -> bool:
        """Send at QoS 0; returns whether it was handed to the socket or its queue."""
        return self._client.publish(topic, payload, qos=0, properties=JSON).rc == MQTTErrorCode.MQTT_ERR_SUCCESS

    def close(self) -> None:
        """Leave, asking the broker to publish the will (DISCONNECT 0x04): a stop tells `online: false` like a crash does."""
        if self._watched:
            with suppress(Exception):
                self._client.disconnect(ReasonCode(PacketTypes.DISCONNECT, identifier=_DISCONNECT_WITH_WILL))
                self._client.loop_write()
        self._drop("closed")

    def _drop(self, why: str) -> None:
        self._close_socket()
        self._settle(why)
        for future in (self._granted, self.lost):
            if future.done() and not future.cancelled():
                future.exception()  # seen, so that an unawaited one is not complained of

    def _close_socket(self) -> None:
        sock = self._client.socket()
        if sock is None:
            return
        if self._watched:
            self._unwatch(self._client, None, sock)
        # paho closes again when it is collected; it must not find callbacks then
        self._client.on_socket_close = None
        self._client.on_socket_register_write = None
        self._client.on_socket_unregister_write = None
        with suppress(OSError):
            sock.close()
