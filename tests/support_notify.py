"""Alarm events as the core makes them, a clock to turn by hand, and real servers that listen for messages."""

import asyncio
import contextlib
import email
import email.policy
import json
import socket
import threading
from collections.abc import AsyncIterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller

from metrepost.events import SEVERITY, AlarmEvent, Event
from metrepost.readings.moment import rfc3339

T0 = 1_800_000_000.0  # 2027-01-15T08:00:00Z
SOURCE = "/northmere/extrusion/core-3"


def alarm(at: float, transition: str = "raised", state: str = "", **changes: Any) -> Event:
    """One transition of cold-diameter.high (or as `changes` say) at T0 + `at`."""
    usual = {
        "raised": "unacknowledged",
        "returned": "returned_unacknowledged",
        "acknowledged": "acknowledged",
        "shelved": "shelved",
        "suppressed": "suppressed_by_design",
    }
    name = changes.pop("alarm", "cold-diameter.high")
    priority = changes.pop("priority", "high")
    rule, _, limit = name.partition(".")
    fields: dict[str, Any] = {
        "class_": "product",
        "metre": 1234.5,
        "value": 4.862,
        "bound": 4.85,
        "unit": "mm",
        "decided": rfc3339(T0 + at),
        "takes_up_at": rfc3339(T0 + at + 24),
        "response": "Scrap from here, lower the screw speed",
        "cause": "The screw surges",
        **changes,
    }
    data = AlarmEvent(
        alarm=name,
        rule=rule,
        limit=limit,
        priority=priority,
        severity=SEVERITY[priority],
        transition=transition,
        state=state or usual.get(transition, "normal"),
        previous="normal",
        **fields,
    )
    return Event(T0 + at, data)


class HandClock:
    """Line time that only the test moves."""

    def __init__(self) -> None:
        self.now = T0

    def line_time(self) -> float:
        return self.now

    def monotonic(self) -> float:
        return self.now - T0


def free_port() -> int:
    """A port of the loopback interface on which nothing listens."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Inbox:
    """What a real server got, with a way to wait for it."""

    def __init__(self, port: int) -> None:
        self.port = port
        self._loop = asyncio.get_running_loop()
        self._got: asyncio.Queue[dict[str, Any]] = asyncio.Queue()

    def put(self, what: dict[str, Any]) -> None:
        self._loop.call_soon_threadsafe(self._got.put_nowait, what)

    async def next(self) -> dict[str, Any]:
        async with asyncio.timeout(15):
            return await self._got.get()

    @property
    def empty(self) -> bool:
        return self._got.empty()


@contextlib.asynccontextmanager
async def smtp_server() -> AsyncIterator[Inbox]:
    """A real SMTP server on a free port."""
    inbox = Inbox(free_port())

    class Handler:
        async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
            message = email.message_from_bytes(envelope.content, policy=email.policy.default)
            body = message.get_body(("plain",))
            inbox.put({"to": envelope.rcpt_tos, "subject": message["Subject"], "text": body.get_content() if body else ""})
            return "250 OK"

    controller = Controller(Handler(), hostname="127.0.0.1", port=inbox.port)
    await asyncio.to_thread(controller.start)
    try:
        yield inbox
    finally:
        await asyncio.to_thread(controller.stop)


@contextlib.asynccontextmanager
async def http_server(
    port: int | None = None, fail_first: int = 0, hang: threading.Event | None = None
) -> AsyncIterator[Inbox]:
    """A real HTTP server; the first `fail_first` requests get 503; with `hang` it does not answer before that is set."""
    inbox = Inbox(port or free_port())
    failures = [fail_first]

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            if hang is not None:
                hang.wait(10)
            status = 503 if failures[0] > 0 else 200
            failures[0] -= 1
            inbox.put({"status": status, **body})
            with contextlib.suppress(OSError):  # the sender may have gone
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", inbox.port), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield inbox
    finally:
        await asyncio.to_thread(server.shutdown)
        server.server_close()
        thread.join()
