"""The broker of the demonstration: a library that brings an MQTT 5 broker as a child process, on loopback only.

It keeps nothing over a restart. For a plant use a broker of its own with persistence, user names and TLS.
"""

import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .trouble import MissingPartError

CONFIGURATION = """
id = 0

[router]
id = 0
max_connections = 50
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "v5-1"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
    [v5.1.connections]
    connection_timeout_ms = 60000
    max_payload_size = 1048576
    max_inflight_count = 100
    dynamic_filters = true
"""


@contextmanager
def embedded_broker() -> Iterator[int]:
    """A running broker; gives its port on 127.0.0.1. Raises MissingPartError when the library is not installed."""
    try:
        from iotcore import Broker
    except ImportError as error:
        raise MissingPartError("the embedded broker", "demo") from error
    port = free_port()
    with tempfile.TemporaryDirectory(prefix="metrepost-broker-") as folder:
        file = Path(folder) / "broker.toml"
        file.write_text(CONFIGURATION.format(port=port))
        with Broker(config_path=str(file)):
            yield port


def free_port() -> int:
    """A port on loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
