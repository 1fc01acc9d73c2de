"""Learned shrink: the ratio of the cold to the hot reading of the same metre, learned while both are good and dry."""

from collections.abc import Mapping
from typing import Any

from ..readings import GOOD, UNCERTAIN, Measured

BIN = 0.5
"""Length over which both gauges are averaged before they are compared, metres."""

MEMORY = 200.0
"""Metres over which the ratio forgets (exponential)."""


class ShrinkLearner:
    """Follows one pair of tags: `hot` (upstream) and `cold` (downstream), at the same metre.

    `ratio` is cold / hot (None until learned over 5 m). `carried(metre)` gives the hot reading of a metre, shrunk.
    """

    def __init__(self, distance: float) -> None:
        self._distance = distance  # metres between both stations
        self._hot: dict[int, tuple[float, int]] = {}
        self._cold: dict[int, tuple[float, int]] = {}
        self.ratio: float | None = None
        self._metres = 0.0

    def hot(self, m: Measured) -> None:
        """A reading of the upstream gauge."""
        if m.quality is not GOOD:
            return
        key = int(m.metre // BIN)
        total, n = self._hot.get(key, (0.0, 0))
        if n == 0 and len(self._hot) > (self._distance + 50.0) / BIN:
            del self._hot[min(self._hot)]
        self._hot[key] = (total + m.value, n + 1)

    def cold(self, m: Measured, *, wet: bool) -> None:
        """A reading of the downstream gauge; a wet one teaches nothing."""
        if m.quality is not GOOD or wet:
            return
        key = int(m.metre // BIN)
        if key in self._cold:
            total, n = self._cold[key]
            self._cold[key] = (total + m.value, n + 1)
            return
        # a new bin: the one before it is complete
        for done, (total, n) in self._cold.items():
            hot = self._hot.get(done)
            if hot is not None and hot[0] > 0:
                self._learn((total / n) / (hot[0] / hot[1]))
        self._cold = {key: (m.value, 1)}

    def _learn(self, ratio: float) -> None:
        self._metres += BIN
        if self.ratio is None:
            self.ratio = ratio
        else:
            share = max(BIN / MEMORY, BIN / self._metres)
            self.ratio += share * (ratio - self.ratio)

    @property
    def learned(self) -> bool:
        """Whether enough cable was compared."""
        return self.ratio is not None and self._metres >= 5.0

    def carried(self, m: Measured) -> Measured | None:
        """The downstream reading `m` with the value the hot gauge gives for its metre, uncertain; None when it has none."""
        hot = self._hot.get(int(m.metre // BIN))
        if hot is None or not self.learned or self.ratio is None:
            return None
        return Measured(
            m.tag,
            m.time,
            hot[0] / hot[1] * self.ratio,
            UNCERTAIN,
            "wet: carried by the hot gauge",
            m.metre,
            m.start,
            m.end,
            m.uncertainty,
            m.covered,
            m.speed,
        )

    def snapshot(self) -> dict[str, Any]:
        """For a restart."""
        return {"ratio": self.ratio, "metres": self._metres}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take back a snapshot."""
        self.ratio = state.get("ratio")
        self._metres = float(state.get("metres", 0.0))
