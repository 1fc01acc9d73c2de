"""Notifications to the service manager: one datagram each, the protocol of the manual page sd_notify(3) of systemd (from memory)."""

import os
import socket
from collections.abc import Mapping


class ServiceManager:
    """Tells whoever started the daemon that it is ready, alive, or stopping. Does nothing when nobody asked (no NOTIFY_SOCKET).

    `watchdog_every` is how often (s) `alive` is expected, half the time after which the manager would restart the daemon; 0: never.
    """

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        self._path = environ.get("NOTIFY_SOCKET", "")
        for_us = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        usec = environ.get("WATCHDOG_USEC", "")
        self.watchdog_every = int(usec) / 2e6 if usec.isdigit() and for_us and self._path else 0.0

    def ready(self, status: str) -> None:
        """Everything is up."""
        self._send(f"READY=1\nSTATUS={status}")

    def status(self, status: str) -> None:
        """One line for a person."""
        self._send(f"STATUS={status}")

    def alive(self) -> None:
        """The lines are watched."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Stopping on request."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self._path:
            return
        address = "\0" + self._path[1:] if self._path.startswith("@") else self._path
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.setblocking(False)
                out.sendto(text.encode(), address)
        except OSError:
            return  # a manager that does not listen is its own trouble; the line is watched all the same
