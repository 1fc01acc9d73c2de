"""A line with an open door, its daemon in this process, and people who knock."""

import asyncio
import contextlib
import getpass
import json
import os
import pwd
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import support_service
from metrepost.service import LineService
from support_daemon import line_folder
from support_service import NOWHERE

ME = getpass.getuser()
ALARM = "endpoint.gauges"
DOOR = f'\n[doors.local.allow.desk]\nusers = ["{ME}"]\n'


@contextlib.asynccontextmanager
async def running(folder: Path, *, broker: int = 9, door: str = DOOR, record: Path | None = None) -> AsyncIterator[LineService]:
    """A daemon with that door, none of whose devices answers; it is stopped and flushed at the end."""
    file = line_folder(folder, NOWHERE, broker, door)
    async with support_service.running(file, folder / "state", record=record) as service:
        yield service


class Visitor:
    """One connection."""

    def __init__(self, path: Path) -> None:
        self.path = path

    async def __aenter__(self) -> "Visitor":
        self.reader, self.writer = await asyncio.open_unix_connection(str(self.path))
        return self

    async def __aexit__(self, *_: object) -> None:
        self.writer.close()
        with contextlib.suppress(OSError):
            await self.writer.wait_closed()

    async def hears(self) -> dict[str, Any]:
        """The next answer."""
        return json.loads(await asyncio.wait_for(self.reader.readline(), 30))  # type: ignore[no-any-return]

    async def says(self, **request: object) -> dict[str, Any]:
        """The answer to one request."""
        self.writer.write(json.dumps(request).encode() + b"\n")
        return await self.hears()


def knock_as(user: str, path: Path, request: dict[str, object]) -> tuple[str, str]:
    """One request from a process of another account, which only the superuser can start; the error's name, and the answer."""
    theirs = pwd.getpwnam(user)
    ours, child_end = socket.socketpair()
    child = os.fork()
    if child == 0:
        try:
            os.setgroups([])
            os.setgid(theirs.pw_gid)
            os.setuid(theirs.pw_uid)
            with socket.socket(socket.AF_UNIX) as door:
                door.connect(str(path))
                with contextlib.suppress(OSError):  # a door that lets nobody in may have answered and closed before it read
                    door.sendall(json.dumps(request).encode() + b"\n")
                child_end.sendall(b" " + door.recv(65_536))
        except BaseException as error:  # whatever it is, the child ends here and says so
            child_end.sendall(type(error).__name__.encode() + b" ")
        finally:
            os._exit(0)
    child_end.close()
    with ours:
        ours.settimeout(60)
        error, _, answer = ours.recv(65_536).decode().partition(" ")
    os.waitpid(child, 0)
    return error, answer
