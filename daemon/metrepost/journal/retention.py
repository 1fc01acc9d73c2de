"""How long rows stay, and which must go when there are too many."""

import msgspec


class Retention(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of the journal of one line.

    Delivered rows stay for `export` until a stream has more than `keep_rows` or `keep_bytes` of them, or they are older than
    `keep_seconds`. Undelivered rows stay whatever happens, until both streams together have more than `undelivered_bytes`:
    then the oldest go, rollups before events, and a loss event declares them. A payload above `payload_bytes` is refused at
    the door and declared. Bytes are those of payloads; the file is about 1.2 times that.
    """

    keep_rows: int = 200_000
    keep_bytes: int = 256_000_000
    keep_seconds: float = 30 * 86_400.0
    undelivered_bytes: int = 1_000_000_000
    payload_bytes: int = 1_000_000

    def __post_init__(self) -> None:
        if (
            min(self.keep_rows, self.keep_bytes, self.keep_seconds) < 0
            or self.undelivered_bytes <= 0
            or self.payload_bytes < 1024
        ):
            raise ValueError("retention limits are 0 or more; undelivered_bytes above 0, payload_bytes 1024 or more")

    def excess(self, undelivered: int) -> int:
        """Bytes of undelivered rows that must go: down to nine tenths, so that one loss event covers many rows."""
        return undelivered - self.undelivered_bytes * 9 // 10 if undelivered > self.undelivered_bytes else 0
