"""Real OPC UA servers for the tests, a TCP proxy that records, cuts and swallows, and a sink for what an endpoint delivers.

Run as a program it is a server of its own: ``python support_opcua.py PORT HZ [NAMESPACE…]`` counts in a node at HZ per second.
"""

import asyncio
import contextlib
import math
import os
import signal
import socket
import struct
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from asyncua import Server, ua
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.user_managers import UserManager

from metrepost.endpoints.opcua_health import Pace
from metrepost.endpoints.plan import OpcUaEndpoint, OpcUaPoint
from metrepost.readings import Act, Reading

NAMESPACE = "urn:northmere:core-3"
BRISK = Pace(
    keep_alive=0.2, silence=0.7, standstill=4.0, repeat=1.0, retry_nodes=0.5, first_wait=0.05, longest_wait=0.2, tick=0.05
)
"""The times of an endpoint, shortened for tests."""


def free_port() -> int:
    """A TCP port nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def address(port: int) -> str:
    return f"opc.tcp://127.0.0.1:{port}/northmere/core-3"


def point(tag: str, name: str = "", **settings: Any) -> OpcUaPoint:
    """A point of the test server by node name."""
    return OpcUaPoint(f"s.{tag}", f"nsu={NAMESPACE};s={name or tag}", **settings)


def endpoint(port: int, *points: OpcUaPoint, **settings: Any) -> OpcUaEndpoint:
    settings = {"publish": 0.05, "sampling": 0.02, "timeout": 1.0} | settings
    return OpcUaEndpoint("plc", address(port), points, **settings)


class LineTime:
    """Wall time as line time."""

    def line_time(self) -> float:
        return time.time()

    def monotonic(self) -> float:
        return time.monotonic()


class Sink:
    """Keeps what is delivered and lets a test wait for it."""

    def __init__(self) -> None:
        self.all: list[Reading | Act] = []
        self._changed = asyncio.Event()

    def __call__(self, batch: Sequence[Reading | Act]) -> None:
        self.all.extend(batch)
        self._changed.set()

    def readings(self, tag: str) -> list[Reading]:
        return [item for item in self.all if isinstance(item, Reading) and item.tag == f"s.{tag}"]

    def values(self, tag: str) -> list[float]:
        return [reading.value for reading in self.readings(tag) if not math.isnan(reading.value)]

    def acts(self) -> list[str]:
        return [item.act for item in self.all if isinstance(item, Act)]

    async def until(self, condition: Callable[[], Any], within: float = 10.0) -> Any:
        """Wait until `condition` holds, looking whenever something was delivered."""
        async with asyncio.timeout(within):
            while not (found := condition()):
                self._changed.clear()
                await self._changed.wait()
            return found


@contextlib.asynccontextmanager
async def running(runner: Any) -> AsyncIterator[asyncio.Task[None]]:
    """The runner in a task, which is cancelled at the end and must end promptly; a bug in it is raised."""
    task = asyncio.create_task(runner.run())
    try:
        yield task
    finally:
        task.cancel()
        async with asyncio.timeout(2.0):
            with contextlib.suppress(asyncio.CancelledError):
                await task


class _Users(UserManager):
    """Lets in who knows the password."""

    def __init__(self, passwords: dict[str, str]) -> None:
        self._passwords = passwords

    def get_user(
        self, iserver: Any, username: str | None = None, password: str | None = None, certificate: Any = None
    ) -> User | None:
        if username is not None and self._passwords.get(username) == password:
            return User(role=UserRole.User, name=username)
        return None


class PlantServer:
    """A real asyncua server in this process; security None, or with `certificate` and `key` only Basic256Sha256 for `users`."""

    def __init__(
        self,
        port: int,
        namespaces: Sequence[str] = (NAMESPACE,),
        certificate: Path | None = None,
        key: Path | None = None,
        users: dict[str, str] | None = None,
    ) -> None:
        self.port = port
        self._namespaces = namespaces
        self._certificate, self._key = certificate, key
        self._server = Server(user_manager=_Users(users) if users is not None else None)
        self._nodes: dict[str, Any] = {}

    async def __aenter__(self) -> "PlantServer":
        await self._server.init()
        self._server.set_endpoint(address(self.port))
        self._server.set_server_name("northmere")
        if self._certificate is None:
            self._server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        else:
            self._server.set_security_policy([ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt])
            self._server.set_identity_tokens([ua.UserNameIdentityToken])
            await self._server.load_certificate(self._certificate)
            await self._server.load_private_key(self._key)
        for namespace in self._namespaces:
            await self._server.register_namespace(namespace)
        self.index = await self._server.get_namespace_index(NAMESPACE)
        await self._server.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self._server.stop()

    @property
    def subscriptions(self) -> int:
        """How many subscriptions the server keeps."""
        return len(self._server.iserver.subscription_service.subscriptions)

    def stop_clock(self) -> None:
        """ServerStatus.CurrentTime stands still from here."""
        self._server.iserver._time_task_stop = True

    async def all_acknowledged(self, within: float = 5.0) -> None:
        """Wait until the only client has acknowledged all that was published (and so has asked for more)."""
        async with asyncio.timeout(within):
            while self._subscription()._not_acknowledged_results:
                await asyncio.sleep(0.005)

    async def lose_values(self, within: float = 5.0) -> None:
        """Wait until a message was published that nobody acknowledges, then forget it and all that waits to be published."""
        async with asyncio.timeout(within):
            while not self._subscription()._not_acknowledged_results:
                await asyncio.sleep(0.005)
        self._subscription()._not_acknowledged_results.clear()
        self._subscription()._triggered_datachanges.clear()

    def _subscription(self) -> Any:
        (subscription,) = self._server.iserver.subscription_service.subscriptions.values()
        return subscription

    async def add(self, name: str, value: Any, variant: Any = None) -> None:
        """A new node; a client may write it, so that the wire test can show what a write looks like."""
        nodeid = ua.NodeId(name, self.index)
        node = await self._server.nodes.objects.add_variable(nodeid, f"{self.index}:{name}", value, variant)
        await node.set_writable()
        self._nodes[name] = node

    async def remove(self, name: str) -> None:
        await self._server.delete_nodes([self._nodes.pop(name)])

    async def write(self, name: str, value: Any, variant: Any = None) -> None:
        """A value with both timestamps, as a server stamps it."""
        await self._nodes[name].write_value(ua.Variant(value, variant) if variant else value)

    async def write_raw(self, name: str, value: Any, **fields: Any) -> None:
        """A DataValue with exactly these fields (StatusCode, SourceTimestamp, …)."""
        data_value = ua.DataValue(ua.Variant(value) if value is not None else None, **fields)
        await self._server.write_attribute_value(self._nodes[name].nodeid, data_value)


class ChildServer:
    """A server in a process of its own that counts up at `hz` in the node Counter; it can be killed, stopped and gone on with."""

    def __init__(self, port: int, hz: float = 20.0) -> None:
        self.port, self._hz = port, hz
        self._process: asyncio.subprocess.Process | None = None
        self.late = 0.0
        """After `kill`: by how many seconds it wrote a number too late, at most (a busy machine)."""

    async def start(self, *before: str) -> None:
        """Start, with the namespaces `before` registered ahead of its own."""
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, __file__, str(self.port), str(self._hz), *before, stdout=asyncio.subprocess.PIPE
        )
        assert self._process.stdout is not None
        async with asyncio.timeout(20):
            assert await self._process.stdout.readline() == b"ready\n"

    async def kill(self) -> None:
        """SIGKILL: no goodbye."""
        assert self._process is not None
        if self._process.returncode is None:
            self._process.kill()
        said, _ = await self._process.communicate()
        self.late = max([self.late, *map(float, said.split())])

    def freeze(self) -> None:
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGCONT)

    async def __aenter__(self) -> "ChildServer":
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.kill()


class Proxy:
    """A TCP proxy in front of a server: records what the client sends, cuts connections, refuses them, or swallows all bytes."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self.port = 0
        self.connections = 0
        self.sent: list[bytearray] = []
        self.swallowing = False

    async def __aenter__(self) -> "Proxy":
        self.port = free_port()
        await self.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.cut()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=2.0)  # they end by themselves once their sockets are gone

    async def open(self) -> None:
        """Take connections (again)."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)

    async def cut(self, *, refuse: bool = True) -> None:
        """Reset every connection; with `refuse` take no new one until `open`."""
        if refuse and self._server is not None:
            self._server.close()
            self._server = None
        for writer in list(self._writers):
            writer.transport.abort()
        await asyncio.sleep(0)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        except OSError:
            writer.transport.abort()
            return
        self.connections += 1
        recorded = bytearray()
        self.sent.append(recorded)
        self._writers |= {writer, far_writer}
        await asyncio.gather(self._pump(reader, far_writer, recorded), self._pump(far_reader, writer, None))
        for each in (writer, far_writer):
            self._writers.discard(each)
            each.transport.abort()

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, record: bytearray | None) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                if record is not None:
                    record += data
                if not self.swallowing:
                    writer.write(data)
                    await writer.drain()
        writer.transport.abort()

    def services(self) -> list[int]:
        """The node ids (numbers) of all service requests the client sent, in order. Security None only."""
        return [number for recorded in self.sent for number in service_requests(bytes(recorded))]


def chunks(sent: bytes) -> Iterator[tuple[str, bytes]]:
    """``(kind, whole chunk)`` of a client's byte stream (OPC 10000-6, 7.1.2). Raises ValueError for what is no such stream."""
    at = 0
    while at + 8 <= len(sent):
        kind, size = sent[at : at + 3], struct.unpack_from("<I", sent, at + 4)[0]
        if kind not in (b"HEL", b"OPN", b"MSG", b"CLO") or size < 8:
            raise ValueError(f"no OPC UA chunk at {at}: {sent[at : at + 8]!r}")
        if at + size > len(sent):
            break  # cut off in the middle
        yield kind.decode(), sent[at : at + size]
        at += size


def chunk_kinds(sent: bytes) -> list[str]:
    return [kind for kind, _ in chunks(sent)]


def service_requests(sent: bytes) -> list[int]:
    """Numeric node ids of the service requests in a client's byte stream (OPC 10000-6, 6.7.2).

    A chunk is ``MSG`` + F, C or A + size, then channel, token, sequence and request number (4 bytes each), then the body; the first
    chunk of a request begins with the node id of its type.
    """
    found: list[int] = []
    begun: set[int] = set()
    for kind, chunk in chunks(sent):
        if kind != "MSG":
            continue
        (request,) = struct.unpack_from("<I", chunk, 20)
        if request not in begun:
            found.append(_numeric_node_id(chunk, 24))
            begun.add(request)
        if chunk[3:4] != b"C":
            begun.discard(request)
    return found


def _numeric_node_id(data: bytes, at: int) -> int:
    """OPC 10000-6, 5.2.2.9: two byte, four byte and numeric forms."""
    form = data[at]
    if form == 0:
        return data[at + 1]
    if form == 1:
        return int(struct.unpack_from("<H", data, at + 2)[0])
    if form == 2:
        return int(struct.unpack_from("<I", data, at + 3)[0])
    raise ValueError(f"a service type is a numeric node id, not of form {form}")


async def _count(port: int, hz: float, before: Sequence[str]) -> None:
    async with PlantServer(port, [*before, NAMESPACE]) as server:
        await server.add("Counter", 0, ua.VariantType.Int64)
        await server.add("Steady", 21.5)
        print("ready", flush=True)
        begin, number, late = time.monotonic(), 0, 0.0
        while True:
            number += 1
            await asyncio.sleep(max(0.0, begin + number / hz - time.monotonic()))
            await server.write("Counter", number, ua.VariantType.Int64)
            if (behind := time.monotonic() - begin - number / hz) > late:
                late = behind
                print(late, flush=True)


if __name__ == "__main__":
    asyncio.run(_count(int(sys.argv[1]), float(sys.argv[2]), sys.argv[3:]))
