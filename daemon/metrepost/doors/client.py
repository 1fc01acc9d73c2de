"""The other side of the local door, for commands: one request, one answer, blocking."""

import contextlib
import socket
from collections.abc import Mapping
from pathlib import Path

import msgspec

from .request import Answer

LONGEST_ANSWER = 1_000_000
"""Bytes."""


class DoorError(Exception):
    """No answer: the sentence says why. `taken` says whether the request may have been taken all the same."""

    def __init__(self, sentence: str, *, taken: bool) -> None:
        self.taken = taken
        super().__init__(sentence)


def say(path: Path, request: Mapping[str, object], wait: float) -> Answer:
    """Hand a request in and wait up to `wait` seconds for the answer. Raises DoorError."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as door:
        door.settimeout(wait)
        try:
            door.connect(str(path))
        except PermissionError as error:
            raise DoorError(
                f"this account may not open the door {path}; it belongs to the group of the socket", taken=False
            ) from error
        except OSError as error:
            why = error.strerror or error
            raise DoorError(
                f"nobody answers at the door {path} ({why}); is the daemon running, and [doors.local] in its line file?",
                taken=False,
            ) from error
        with contextlib.suppress(OSError):  # it may have refused and closed before it read: its answer says so
            door.sendall(msgspec.json.encode(request) + b"\n")
        try:
            answer = _line(door)
            return msgspec.json.decode(answer, type=Answer)
        except (OSError, msgspec.MsgspecError) as error:
            sentence = "no answer came from the door; whether the act was done stands in the journal (metrepost export)"
            raise DoorError(sentence, taken=True) from error


def _line(door: socket.socket) -> bytes:
    got = b""
    while not got.endswith(b"\n"):
        piece = door.recv(65_536)
        if not piece or len(got) > LONGEST_ANSWER:
            raise ConnectionError("no whole answer")
        got += piece
    return got
