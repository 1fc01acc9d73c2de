"""How to reach the broker, worked out at load."""

from typing import Self
from urllib.parse import urlsplit

import msgspec

DEFAULT_PORT = {"mqtt": 1883, "mqtts": 8883}


class MqttPlan(msgspec.Struct, frozen=True, kw_only=True):
    """The broker of a line. Secrets are already resolved; neither repr nor errors show them.

    `client_id` "" means one made of line and epoch, which stays the same over restarts. `keepalive` and the time-outs are
    seconds: `connect_timeout` for TCP, TLS and the broker's answer each, `ack_timeout` for the longest wait for a PUBACK.
    `window` is how many QoS 1 messages may be outstanding (20 to 100 is quickest; more multiplies doubles after an outage).
    """

    host: str
    port: int = 1883
    tls: bool = False
    client_id: str = ""
    user: str = ""
    password: str = ""
    ca: str = ""
    certificate: str = ""
    key: str = ""
    keepalive: int = 30
    window: int = 50
    connect_timeout: float = 5.0
    ack_timeout: float = 30.0
    state_every: float = 10.0

    @classmethod
    def parse(cls, url: str, **settings: object) -> Self:
        """From ``mqtt://host[:port]`` or ``mqtts://host[:port]`` and any other field by name.

        Raises ValueError for another scheme, no host, a port that is none, a path, or a login in the URL (it would be a
        secret in a file).
        """
        parts = urlsplit(url)
        if parts.scheme not in DEFAULT_PORT or not parts.hostname:
            raise ValueError(f"{url!r} is no broker: write mqtt://host:1883, or mqtts://host:8883 for TLS")
        if parts.username is not None or parts.password is not None:
            raise ValueError("a login does not belong in the broker's URL: give `user` and `password` (by env or file)")
        if parts.path not in {"", "/"} or parts.query or parts.fragment:
            raise ValueError(f"{url!r}: nothing may follow the port of the broker")
        try:
            port = parts.port or DEFAULT_PORT[parts.scheme]
        except ValueError as error:
            raise ValueError(f"{url!r}: a port is a number from 1 to 65535") from error
        return msgspec.convert({"host": parts.hostname, "port": port, "tls": parts.scheme == "mqtts", **settings}, cls)

    def __repr__(self) -> str:
        scheme = "mqtts" if self.tls else "mqtt"
        return f"MqttPlan({scheme}://{self.host}:{self.port}, client_id={self.client_id!r}, user={self.user!r})"
