"""What a score holds: lumps missed and drops alarmed, side by side, and the figures of alarms, spark faults and cuts."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

WITNESSED, UNCOVERED, BLIND = "witness saw it", "no coverage", "no witness could see"


@dataclass
class LumpRow:
    """Lumps that the cold gauge showed over the limit, of one class.

    Of the missed ones, `listed` are those that a drop event lists, `near` those shown less than 0.02 mm over the limit, where the print
    of screw and haul-off and the gauge's noise decide.
    """

    shown: int = 0
    missed: int = 0
    listed: int = 0
    near: int = 0


@dataclass
class Score:
    """One run, or several of one witness kind and speed. Lengths in m, heights in mm, speeds in m/min."""

    witness: str
    speed: float
    runs: int = 1
    lumps: int = 0
    lumps_shown: dict[str, LumpRow] = field(default_factory=lambda: {k: LumpRow() for k in (WITNESSED, UNCOVERED, BLIND)})
    necks_shown: int = 0
    necks_missed: int = 0
    drops: int = 0
    drops_shown: int = 0
    drops_alarmed: int = 0
    drops_beside_alarmed: int = 0
    drops_covered: int = 0
    drops_covered_alarmed: int = 0
    alarms: int = 0
    false_alarms: int = 0
    doubles: int = 0
    alarmed_metres: float = 0.0
    alarmed_metres_allowed: float = 0.0
    sparks: int = 0
    sparks_missed: int = 0
    sparks_outside: int = 0
    spark_distance: float = 0.0
    spark_allowed: float = 0.0
    cuts: int = 0
    cuts_missed: int = 0
    cut_distance: float = 0.0
    missed: list[dict[str, Any]] = field(default_factory=list)
    alarmed_drops: list[dict[str, Any]] = field(default_factory=list)

    @property
    def missed_bar(self) -> int:
        """Lumps missed although the witness saw them or nobody looked: must be 0."""
        return self.lumps_shown[WITNESSED].missed + self.lumps_shown[UNCOVERED].missed

    @property
    def missed_clear(self) -> int:
        """The same for lumps shown at least 0.02 mm over the limit, as the bar has them."""
        rows = self.lumps_shown[WITNESSED], self.lumps_shown[UNCOVERED]
        return sum(row.missed - row.near for row in rows)

    @property
    def unlisted(self) -> int:
        """Missed lumps that no drop event lists: must be 0."""
        return sum(row.missed - row.listed for row in self.lumps_shown.values())

    @property
    def unlisted_clear(self) -> int:
        """The same without the lumps shown less than 0.02 mm over the limit, which may not be excursions at all."""
        return max(0, sum(row.missed - row.listed - row.near for row in self.lumps_shown.values()))

    @property
    def drops_alarmed_per_1000(self) -> float:
        """Alarms on drops per 1000 drops that a peak-hold witness covered: without a witness a drop must raise the alarm."""
        return 1000.0 * self.drops_covered_alarmed / self.drops_covered if self.drops_covered else 0.0

    def add(self, other: "Score") -> None:
        """Take in another run of the same kind."""
        for name, value in vars(other).items():
            if name in ("witness", "speed"):
                continue
            if name == "lumps_shown":
                for kind, row in value.items():
                    mine = self.lumps_shown[kind]
                    for count, more in vars(row).items():
                        setattr(mine, count, getattr(mine, count) + more)
            elif name in ("spark_distance", "spark_allowed", "cut_distance"):
                setattr(self, name, max(getattr(self, name), value))
            else:
                setattr(self, name, getattr(self, name) + value)

    def as_dict(self) -> dict[str, Any]:
        """Everything, with the worked-out figures, for ``--json``."""
        rows = {kind: vars(row) for kind, row in self.lumps_shown.items()}
        worked = {
            "missed_bar": self.missed_bar,
            "missed_clear": self.missed_clear,
            "unlisted": self.unlisted,
            "drops_alarmed_per_1000": self.drops_alarmed_per_1000,
        }
        return {**vars(self), "lumps_shown": rows, **worked}


def combined(scores: Iterable[Score]) -> list[Score]:
    """One row for each witness kind and speed, in that order."""
    rows: dict[tuple[str, float], Score] = {}
    for one in scores:
        row = rows.setdefault((one.witness, one.speed), Score(one.witness, one.speed, runs=0))
        row.add(one)
    return [rows[key] for key in sorted(rows)]
