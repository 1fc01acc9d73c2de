"""The local door: a UNIX stream socket, JSON lines, one answer a line. Whoever is refused is counted and told in the log."""

import asyncio
import contextlib
import errno
import grp
import os
import socket
import stat
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Collection
from pathlib import Path

import msgspec
import structlog

from .peer import account, uid_of
from .permission import Peer, allowed
from .plan import LocalDoorPlan
from .rate import Rates
from .request import LONGEST, Answer, Request, read

CONNECTIONS = 16
"""At once; of one account at most `OF_ONE`."""
OF_ONE = 4
PATIENCE = 10.0
"""Seconds for a whole request to come, and for the peer to take an answer."""
AGAIN = 5.0
"""Seconds until a door that could not be opened is tried again."""
QUIET = 1.0
"""Seconds between two log lines on who was refused, at least: a flood at the door must not flood the log."""
LONGEST_PATH = 107
"""Bytes of a socket's path (sun_path, unix(7))."""

log = structlog.get_logger("metrepost.doors")
Ask = Callable[[Request, str], Awaitable[Answer]]


class LocalDoor:
    """Open while `run` runs. `ask` hands a request to the core and waits for what became of it; `alarms` names those there are.

    A door that cannot be opened says so in `trouble` and tries again; it stops nothing else. `outcomes` counts answers.
    """

    def __init__(self, line: str, plan: LocalDoorPlan, folder: Path, ask: Ask, alarms: Callable[[], Collection[str]]) -> None:
        self.plan = plan
        self.path = folder / plan.socket
        self.trouble = "not open yet"
        self.outcomes: Counter[str] = Counter()
        self._line, self._ask, self._alarms = line, ask, alarms
        self._rates, self._knocks = Rates(), Rates()
        self._peers: Counter[int] = Counter()
        self._told, self._untold = -QUIET, 0

    async def run(self) -> None:
        """Let people in until cancelled."""
        while True:
            try:
                listener = open_socket(self.path, self.plan.group)
                mine = os.stat(self.path).st_ino
            except (OSError, ValueError, KeyError) as error:
                why = _why(error, self.plan.group)
                if why != self.trouble:
                    log.error("door", line=self._line, socket=str(self.path), trouble=why)  # noqa: TRY400  the sentence says it all
                self.trouble = why
                await asyncio.sleep(AGAIN)
                continue
            await self._serve(listener, mine)

    async def _serve(self, listener: socket.socket, mine: int) -> None:
        self.trouble = ""
        log.info("door", line=self._line, socket=str(self.path), grants=[grant.name for grant in self.plan.grants])
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.TaskGroup() as group:
                while True:
                    try:
                        connection, _ = await loop.sock_accept(listener)
                    except OSError as error:  # out of file descriptors: the line goes on, the door waits
                        log.warning("door", line=self._line, trouble=str(error))
                        await asyncio.sleep(QUIET)
                        continue
                    await asyncio.sleep(0)  # accepting what waits already does not give way to others by itself
                    connection.setblocking(False)
                    uid = self._admit(connection)
                    if uid is not None:
                        group.create_task(self._visit(connection, uid))
        finally:
            self.trouble = "closed"
            listener.close()
            with contextlib.suppress(OSError):
                if os.stat(self.path).st_ino == mine:
                    self.path.unlink()

    def _admit(self, connection: socket.socket) -> int | None:
        """The account that came in, if there is room for one more. One account cannot take the room of all."""
        try:
            uid = uid_of(connection)
        except OSError:
            connection.close()
            return None
        why = ""
        if self._peers.total() >= CONNECTIONS or self._peers[uid] >= OF_ONE:
            why = f"too many connections; {OF_ONE} of one account, {CONNECTIONS} in all"
        elif not self._knocks.take(uid, time.monotonic()):
            why = "too many connections in too short a time; wait a second"
        if why:
            with contextlib.suppress(OSError):
                connection.send(msgspec.json.encode(self._refuse(f"uid {uid}", "too_often", why)) + b"\n")
            connection.close()
            return None
        self._peers[uid] += 1
        return uid

    async def _visit(self, connection: socket.socket, uid: int) -> None:
        writer: asyncio.StreamWriter | None = None
        try:
            reader, writer = await asyncio.open_unix_connection(sock=connection, limit=LONGEST)
            async with asyncio.timeout(PATIENCE):
                peer = await asyncio.to_thread(account, uid)
            may = allowed(peer, self.plan.grants)
            more = True
            while more:
                answer, more = await self._one(reader, peer, may)
                writer.write(msgspec.json.encode(answer) + b"\n")
                async with asyncio.timeout(PATIENCE):
                    await writer.drain()
        except (OSError, TimeoutError, asyncio.IncompleteReadError):
            if writer is not None:
                writer.transport.abort()  # closing would wait until it reads what it does not read
        except Exception:  # a mistake of ours that a guest can reach must not end the watch of the line
            self.outcomes["failed"] += 1
            log.exception("door", line=self._line, trouble="a request could not be handled; this is a mistake in the program")
        finally:
            self._peers[uid] -= 1
            if not self._peers[uid]:
                del self._peers[uid]
            if writer is None:
                connection.close()
            else:
                writer.close()

    async def _one(self, reader: asyncio.StreamReader, peer: Peer, may: frozenset[str]) -> tuple[Answer, bool]:
        """Read one request; the answer to it, and whether the peer may go on."""
        if not may:
            why = f"{peer.name} may do nothing here; [doors.local.allow] says who may"
            return self._refuse(peer.who, "not_allowed", why), False
        try:
            async with asyncio.timeout(PATIENCE):
                line = await reader.readuntil(b"\n")
        except asyncio.LimitOverrunError:
            return self._refuse(peer.who, "faulty", f"a request has at most {LONGEST} bytes"), False
        if not self._rates.take(peer.uid, time.monotonic()):
            return self._refuse(peer.who, "too_often", "too many requests; wait a second"), True
        request = read(line, self._alarms())
        if isinstance(request, list):
            return self._refuse(peer.who, "faulty", "the request is wrong, and nothing was done", request), True
        act = request.act
        if act.act not in may:
            why = f"{peer.name} may not {act.act} here; may: {', '.join(sorted(may))}"
            return self._refuse(peer.who, "not_allowed", why), True
        answer = await self._ask(request, peer.who)
        self.outcomes[answer.outcome] += 1
        log.info("act", line=self._line, who=peer.who, act=act.act, alarm=act.alarm, outcome=answer.outcome, why=answer.why)
        return answer, True

    def _refuse(self, who: str, outcome: str, why: str, faults: Collection[str] = ()) -> Answer:
        self.outcomes[outcome] += 1
        now = time.monotonic()
        if now - self._told < QUIET:
            self._untold += 1
        else:
            log.warning("door", line=self._line, who=who, outcome=outcome, why=why, faults=list(faults), untold=self._untold)
            self._told, self._untold = now, 0
        return Answer(outcome=outcome, why=why, faults=list(faults), who=who)


def open_socket(path: Path, group: str) -> socket.socket:
    """A listening socket of mode 0660. What a killed daemon left is replaced; anything else that stands there is not touched.

    Raises OSError, KeyError for a group that is not known, ValueError when the path is taken or too long.
    """
    if len(os.fsencode(path)) > LONGEST_PATH:
        raise ValueError(f"the path is longer than {LONGEST_PATH} bytes; write a shorter one, such as /run/metrepost/LINE.door")
    if path.is_symlink() or path.exists():
        _clear(path)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC)
    try:
        listener.bind(str(path))
        # nobody can connect before `listen`: the mode is right before anybody can use it
        path.chmod(0o660)
        if group:
            os.chown(path, -1, grp.getgrnam(group).gr_gid)
        listener.listen(CONNECTIONS)
    except BaseException:
        listener.close()
        raise
    return listener


def _clear(path: Path) -> None:
    if not stat.S_ISSOCK(path.lstat().st_mode):
        raise ValueError("something that is no socket stands there; take it away or write another path")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.setblocking(False)
        try:
            other.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
            return
        except BlockingIOError:
            pass
    raise ValueError("another process listens there; write another path")


def _why(error: Exception, group: str) -> str:
    if isinstance(error, KeyError):
        return f"there is no group {group} on this host"
    if isinstance(error, OSError) and error.errno == errno.ENOENT:
        return "the folder of the socket is not there"
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
