"""What one OPC UA endpoint says of itself, and the few times it lives by."""

import msgspec

from .contract import Health


class OpcUaHealth(Health):
    """Counters of an OPC UA endpoint. Times in seconds; `None` and 0.0 where nothing is known yet.

    `bridged`: connections lost and taken up again without losing a value. `gaps`: times at which values may have been lost, each
    told as bad readings. `overflows`: readings before which the server's queue was full. `source_times_replaced`: source times
    too far off to be believed. `server_clock_ahead`: server clock minus line time, less the shortest way a message took lately
    (so a lower bound; negative when the server is behind). `failed_nodes`: tags the server does not give, with the reason.
    `publish`, `sampling` and `queue` are what the server granted: the publishing interval, the slowest sampling interval and the
    shortest queue. `bridges` is how long an outage may last without loss. `warning` tells of a certificate that ends within 30 days.
    """

    bridged: int = 0
    gaps: int = 0
    overflows: int = 0
    source_times_replaced: int = 0
    server_clock_ahead: float | None = None
    failed_nodes: dict[str, str] = msgspec.field(default_factory=dict)
    publish: float = 0.0
    sampling: float = 0.0
    queue: int = 0
    bridges: float = 0.0
    warning: str = ""


class Pace(msgspec.Struct, frozen=True):
    """The times an OPC UA endpoint lives by, in seconds. The defaults fit a plant; tests shorten them.

    `keep_alive`: a silent subscription says that it lives this often. `silence`: without any message for this long the
    connection is given up, whatever its state says. `standstill`: messages come but the server's own clock stands still: its
    sampling is dead. `bridge`: outage to be bridged without loss; queues and lifetimes are asked for accordingly.
    `repeat`: an unchanged value is handed over again after this long (the core is promised 10 s). `retry_nodes`: how often nodes
    that failed are tried again. `first_wait`, `longest_wait`: backoff between attempts to connect. `channel`: requested
    lifetime of the secure channel, renewed after three quarters of it. `tick`: how finely all this is looked after.
    """

    keep_alive: float = 1.0
    silence: float = 3.0
    standstill: float = 10.0
    bridge: float = 60.0
    repeat: float = 9.0
    retry_nodes: float = 30.0
    first_wait: float = 0.2
    longest_wait: float = 10.0
    channel: float = 3600.0
    tick: float = 0.5
