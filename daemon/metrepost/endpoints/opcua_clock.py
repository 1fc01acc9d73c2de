"""How far a server's clock is off, learned from the times it puts on its messages. Pure."""

SPAN = 60.0
"""The estimate is made of what was heard within the last one to two spans, seconds."""
_ABSURD = 86400.0
"""Times further off than this (seconds) say nothing of the clock: some servers send the year 1601."""


class ServerClock:
    """A message is received after it was stamped, so `stamp - received` never exceeds the clock's lead over ours.

    The largest difference lately is therefore the lead less the shortest way a message took: a lower bound.
    """

    def __init__(self) -> None:
        self._since = 0.0
        self._before: float | None = None
        self._now: float | None = None

    def hear(self, difference: float, received: float) -> None:
        """A stamp that lies `difference` seconds ahead of the time of receipt `received`."""
        if abs(difference) > _ABSURD:
            return
        if received - self._since > SPAN:
            self._since, self._before, self._now = received, self._now, None
        self._now = difference if self._now is None else max(self._now, difference)

    @property
    def ahead(self) -> float | None:
        """Seconds the server's clock leads line time by (negative: behind), or None before anything was heard."""
        heard = [value for value in (self._before, self._now) if value is not None]
        return max(heard) if heard else None

    @property
    def doubt(self) -> float:
        """Half width of the doubt in a source time, seconds; 0.0 while nothing is known."""
        return abs(self.ahead or 0.0)
