"""A fixed-rate schedule of several polls over one connection. Pure: the caller brings the time.

Every poll has its beats at ``start + n * period``, worked out from `n`, so that lateness is never handed on (no drift). A beat
whose whole period has gone by before it could be served is skipped and counted, never made up for. Between polls that are
due the one with the earliest deadline (the poll's next beat) goes first, of several the one that was served longest ago; a poll
that was put off only grows more urgent, so that none starves. Work in several steps may ask `pick` again between two steps: a
fast poll then goes before the rest of a slow one.
"""

import math
from collections.abc import Sequence


class Schedule:
    """Beats of polls with the given `periods`, seconds, all beginning at `start` (any monotonic clock)."""

    def __init__(self, periods: Sequence[float], start: float) -> None:
        if any(not (0.0 < period < math.inf) for period in periods):
            raise ValueError(f"poll periods are {list(periods)}; each must be a finite time above 0 s")
        self._periods = tuple(periods)
        self._start = start
        self._beat = [0] * len(self._periods)
        self._served = [0] * len(self._periods)
        self._turn = 0

    def due(self, poll: int) -> float:
        """When the present beat of a poll is (or was) due."""
        return self._start + self._beat[poll] * self._periods[poll]

    def next_due(self) -> float:
        """When the earliest beat of all is due; infinity when there is no poll."""
        return min((self.due(poll) for poll in range(len(self._periods))), default=math.inf)

    def pick(self, now: float) -> int | None:
        """The poll to serve now: due, and with the earliest deadline. None when nothing is due yet."""
        chosen, earliest = None, math.inf
        for poll, period in enumerate(self._periods):
            due = self.due(poll)
            if due > now:
                continue
            deadline = due + period
            if deadline < earliest or (
                deadline == earliest and chosen is not None and self._served[poll] < self._served[chosen]
            ):
                chosen, earliest = poll, deadline
        return chosen

    def done(self, poll: int, now: float) -> int:
        """The present beat of a poll has been served: go on to the latest beat that may still be served in its own period.

        Returns how many beats were missed, those whose whole period went by meanwhile.
        """
        self._turn += 1
        self._served[poll] = self._turn
        following = self._beat[poll] + 1
        # the latest beat that is due already; the one after `now` when none is
        latest = math.floor((now - self._start) / self._periods[poll])
        self._beat[poll] = max(following, latest)
        return self._beat[poll] - following
