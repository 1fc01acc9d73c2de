"""What is really on the cable, and what the gauges' registers showed of it: the rows of truth.jsonl.

`shown_*` is the largest rise (neck: fall) in mm of a served register over the undisturbed, noise-free local diameter, the larger
of both axes, over the reads whose piece of cable met the flaw; None when no such read was answered. The `shown_hot` and
`shown_cold` rows are of the peak-hold registers (for a neck, of the minimum), `*_instant` of the instantaneous ones.
`covered_hot` says that answered peak-hold reads of a working hot gauge cover the flaw, registration included.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import orjson

from .flaws import Flaw
from .line import CoreLine
from .motion import Floats


class Truth:
    """Collects what was shown while a line is read; gives the rows when asked. `options` go into the header row."""

    def __init__(self, line: CoreLine, start: float, options: dict[str, Any] | None = None) -> None:
        self._line = line
        self._start = start
        self._options = options or {}
        # (gauge, register of kind max/min/instant) -> flaw index -> largest rise
        self._shown: dict[tuple[str, str], dict[int, float]] = {}
        self._holes: list[tuple[float, float]] = []
        self._seen_from: dict[str, float] = {}
        self._seen_to: dict[str, float] = {}
        self.until = 0.0

    def begin(self, start: float, options: dict[str, Any]) -> None:
        """Line time at scenario time 0, and header fields, known only once the servers run."""
        self._start = start
        self._options = options

    def saw(self, gauge: str, kind: str, index: int, rise: float) -> None:
        """A served register showed `rise` mm of a flaw."""
        shown = self._shown.setdefault((gauge, kind), {})
        shown[index] = max(shown.get(index, rise), rise)

    def read(self, tag: str, start: float, end: float) -> None:
        """A peak-hold register of the hot gauge has been read over ``[start, end]`` metres, in order."""
        self._seen_from.setdefault(tag, start)
        self._seen_to[tag] = end

    def hole(self, start: float, end: float) -> None:
        """A piece of cable that a hot peak-hold read should have covered and did not."""
        self._holes.append((start, end))

    def _largest(self, gauge: str, kind: str, index: int) -> float | None:
        value = self._shown.get((gauge, kind), {}).get(index)
        return None if value is None else round(value, 5)

    def _covered(self, flaw: Flaw, margin: float, holes: Floats) -> bool:
        tags = [f"hot-gauge.{axis}_{'min' if flaw.kind == 'neck' else 'max'}" for axis in "xy"]
        low, high = flaw.start - margin, flaw.end + margin
        if any(tag not in self._seen_to or self._seen_from[tag] > low or self._seen_to[tag] < high for tag in tags):
            return False
        return not bool(np.any((holes[:, 0] < high) & (holes[:, 1] > low)))

    def header(self) -> dict[str, Any]:
        """The first row: what was simulated, and the settings that scoring needs (m, s, mm, m/min)."""
        line, scenario = self._line.file, self._line.scenario
        length, share, time = line.registration
        return {
            "kind": "header",
            "format": 1,
            "scenario": scenario.name,
            "seed": scenario.seed,
            "line": line.source,
            "start": self._start,
            "until": self._start + self.until,
            "speed": scenario.speed,
            "counter_start": scenario.counter_start,
            "limit": scenario.limit,
            "hot": line.place("hot-gauge").position,
            "cold": line.place("cold-gauge").position,
            "reference": line.reference,
            "spark": line.place("spark-tester").position,
            "electrode": line.place("spark-tester").aperture,
            "take_up": line.take_up,
            "registration": {"length": length, "share": share, "time": time},
            "poll": {r.tag: r.poll for r in line.registers if r.tag in ("cold-gauge.x_max", "spark-tester.faults")},
            "witness": "peak-hold",
            **self._options,
        }

    def rows(self) -> Iterator[dict[str, Any]]:
        """Every row, the header first. Flaws that are not made yet at the end are left out."""
        yield self.header()
        line, t = self._line, self.until
        counter = float(line.motion.counter(np.array([t]))[0])
        made, past_cold = counter + line.offset("plc"), counter + line.offset("cold-gauge")
        length, share, time = line.file.registration
        margin = length + share * (line.file.place("cold-gauge").position - line.file.place("hot-gauge").position)
        margin += time * line.scenario.speed / 60.0
        holes: Floats = np.array(self._holes, dtype=np.float64).reshape(-1, 2)
        for index, flaw in enumerate(line.flaws):
            if flaw.start > made:
                continue
            hold = "min" if flaw.kind == "neck" else "max"
            yield {
                "kind": flaw.kind,
                "metre": round(flaw.metre, 4),
                "from": round(flaw.start, 4),
                "to": round(flaw.end, 4),
                "height": round(flaw.height, 5),
                "length": round(flaw.length, 4),
                "angle": round(flaw.angle, 1),
                "width": round(flaw.width, 1),
                "born": flaw.born,
                "passed": flaw.end <= past_cold,
                "shown_cold": self._largest("cold-gauge", hold, index),
                "shown_hot": self._largest("hot-gauge", hold, index),
                "shown_cold_instant": self._largest("cold-gauge", "instant", index),
                "shown_hot_instant": self._largest("hot-gauge", "instant", index),
                "covered_hot": self._covered(flaw, margin, holes),
            }
        for row in line.happenings(t):
            if "time" in row:
                row["time"] += self._start
            yield row

    def write(self, path: Path) -> int:
        """Write truth.jsonl; the number of rows is returned."""
        lines = [orjson.dumps(row) for row in self.rows()]
        path.write_bytes(b"\n".join(lines) + b"\n")
        return len(lines)
