"""A TCP proxy that misbehaves on command: between daemon and broker, daemon and Modbus device, daemon and OPC UA server.

Modes, as set with `Proxy.mode`:

* ``pass``: carries bytes as they are
* ``refuse``: ends every connection and takes no new one for longer than a moment
* ``half-open``: takes connections and bytes, and answers nothing; established ones go mute both ways
* ``delay``: holds every chunk back for `DELAY` seconds, in order
* ``trickle``: a few bytes at a time
* ``corrupt``: flips a bit in some chunks
* ``duplicate``: sends some chunks twice
* ``reorder``: swaps neighbouring chunks now and then

All but the first three damage only what comes from the server, the way that the daemon has to judge. The damage is seeded.
"""

import asyncio
import random
import threading
from collections.abc import Coroutine
from contextlib import suppress
from typing import Any, Literal, Self, get_args

Mode = Literal["pass", "refuse", "half-open", "delay", "trickle", "corrupt", "duplicate", "reorder"]
MODES: tuple[Mode, ...] = get_args(Mode)
DELAY = 0.3
"""Seconds."""
SHARE = 0.1
"""Of the chunks that are damaged."""


class Proxy:
    """Listens on a free port of the loopback interface and carries to `target`. Runs on the loop it is started on."""

    def __init__(self, target: int, *, seed: int = 1) -> None:
        self.target = target
        self.port = 0
        self.mode: Mode = "pass"
        self.damaged = 0
        self.connections = 0
        self._random = random.Random(seed)
        self._open: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def start(self) -> Self:
        """Listen."""
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def stop(self) -> None:
        """End it with everything it carries."""
        if self._server is not None:
            self._server.close()
        self.cut()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        """End every connection at once, with a reset where the system allows it."""
        for writer in list(self._open):
            with suppress(Exception):
                writer.transport.abort()

    def become(self, mode: Mode) -> None:
        """Change the mode. Leaving ``half-open``, ``delay`` and the damaging ones ends the connections: their bytes are unsound."""
        before, self.mode = self.mode, mode
        if mode == "refuse" or (mode == "pass" and before not in ("pass", "refuse")):
            self.cut()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._open.add(writer)
        other: asyncio.StreamWriter | None = None
        try:
            self.connections += 1
            if self.mode == "refuse":
                return
            back, other = await asyncio.open_connection("127.0.0.1", self.target)
            self._open.add(other)
            async with asyncio.TaskGroup() as both:
                both.create_task(self._carry(reader, other, damage=False))
                both.create_task(self._carry(back, writer, damage=True))
        except* (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            for end in (writer, other):
                if end is not None:
                    self._open.discard(end)
                    with suppress(Exception):
                        end.transport.abort()
            self._tasks.discard(task)

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, damage: bool) -> None:
        while chunk := await reader.read(65_536):
            match self.mode:
                case "half-open":
                    continue
                case "delay":
                    await asyncio.sleep(DELAY)
                case "trickle":
                    await self._trickle(writer, chunk)
                    continue
                case "refuse":
                    break
                case "corrupt" | "duplicate" | "reorder" if damage:
                    chunk = await self._damaged(reader, chunk)
            writer.write(chunk)
            await writer.drain()
        raise ConnectionResetError  # one way has ended: so does the other

    async def _trickle(self, writer: asyncio.StreamWriter, chunk: bytes) -> None:
        for at in range(0, len(chunk), 16):
            writer.write(chunk[at : at + 16])
            await writer.drain()
            await asyncio.sleep(0.002)

    async def _damaged(self, reader: asyncio.StreamReader, chunk: bytes) -> bytes:
        if self._random.random() >= SHARE:
            return chunk
        self.damaged += 1
        if self.mode == "corrupt":
            spoilt = bytearray(chunk)
            spoilt[self._random.randrange(len(spoilt))] ^= 1 << self._random.randrange(8)
            return bytes(spoilt)
        if self.mode == "duplicate":
            return chunk + chunk
        try:  # the next chunk goes first, when there is one
            async with asyncio.timeout(0.05):
                later = await reader.read(65_536)
        except TimeoutError:
            later = b""
        return later + chunk


class Proxies:
    """Proxies by name, on a loop in a thread of their own. A context manager."""

    def __init__(self, targets: dict[str, int], *, seed: int) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="proxies", daemon=True)
        self._by_name = {name: Proxy(port, seed=seed + n) for n, (name, port) in enumerate(targets.items())}

    def __enter__(self) -> Self:
        self._thread.start()
        for proxy in self._by_name.values():
            self._call(proxy.start())
        return self

    def __exit__(self, *_: object) -> None:
        for proxy in self._by_name.values():
            self._call(proxy.stop())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    def _call(self, what: Coroutine[Any, Any, Any]) -> None:
        asyncio.run_coroutine_threadsafe(what, self._loop).result(10)

    def port(self, name: str) -> int:
        """Where the proxy of that name listens."""
        return self._by_name[name].port

    def become(self, name: str, mode: Mode) -> None:
        """See `Proxy.become`."""
        self._loop.call_soon_threadsafe(self._by_name[name].become, mode)

    def cut(self, name: str) -> None:
        """See `Proxy.cut`."""
        self._loop.call_soon_threadsafe(self._by_name[name].cut)

    def connections(self, name: str) -> int:
        """Connections that were made through that proxy so far."""
        return self._by_name[name].connections

    def damaged(self) -> int:
        """Chunks damaged so far."""
        return sum(p.damaged for p in self._by_name.values())
