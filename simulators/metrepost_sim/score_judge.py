"""How events are matched with the truth: each flaw, alarm, spark fault and cut in turn."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from .score_card import BLIND, UNCOVERED, WITNESSED, Score

FLAW_LIMITS = ("lump", "neck")
NEAR = 0.02
"""Less than this over the limit (mm) is near it."""


@dataclass(frozen=True)
class Piece:
    """An event's piece of cable, the rule that told it, and the whole data."""

    start: float
    end: float
    rule: str
    data: dict[str, Any]

    def meets(self, start: float, end: float, tolerance: float) -> bool:
        """Whether it touches ``[start, end]`` within `tolerance`."""
        return self.start <= end + tolerance and self.end >= start - tolerance


def pieces_of(events: Iterable[dict[str, Any]], kind: str) -> list[Piece]:
    """Events of one kind that say where: their piece, or their metre alone."""
    found = []
    for event in events:
        if event.get("type") != f"metrepost.{kind}.v1":
            continue
        data = event.get("data") or {}
        metre = data.get("metre")
        start, end = data.get("from"), data.get("to")
        start, end = (metre if start is None else start), (metre if end is None else end)
        if start is not None and end is not None:
            found.append(Piece(min(start, end), max(start, end), data.get("rule", ""), data))
    return sorted(found, key=lambda p: p.start)


def is_flaw_alarm(data: dict[str, Any]) -> bool:
    """Whether the data of an alarm event say that a flaw rule raised a product alarm (a rule on trial tells nobody)."""
    if data.get("transition") != "raised" or data.get("class") != "product" or data.get("trial"):
        return False
    return data.get("limit") in FLAW_LIMITS


def _kind_of(row: dict[str, Any], witness: str, limit: float) -> str:
    shown = row["shown_hot_instant"] if witness == "instantaneous" else row["shown_hot"]
    if shown is not None and shown >= limit / 2:
        return WITNESSED
    covered = row["covered_hot"] and witness == "peak-hold"
    return BLIND if covered else UNCOVERED


def judge_flaws(
    result: Score,
    header: dict[str, Any],
    flaws: list[dict[str, Any]],
    alarms: list[Piece],
    listed: list[Piece],
    tolerance: float,
    piece: float,
) -> None:
    """Lumps and necks missed, drops alarmed."""
    limit, witness = header["limit"], header["witness"]
    solid = [row for row in flaws if row["kind"] != "drop"]
    for row in flaws:
        low, high = row["from"], row["to"]
        shown = row["shown_cold"] if row["shown_cold"] is not None else row["shown_cold_instant"]
        over = shown is not None and shown > limit
        heard = [a for a in alarms if a.meets(low, high, tolerance)]
        if row["kind"] == "lump":
            result.lumps += 1
            if not over:
                continue
            kind = _kind_of(row, witness, limit)
            count = result.lumps_shown[kind]
            count.shown += 1
            if not any(a.data["limit"] == "lump" for a in heard):
                count.missed += 1
                count.near += shown < limit + NEAR
                count.listed += any(d.meets(low, high, tolerance) for d in listed)
                result.missed.append({"class": kind, **row})
        elif row["kind"] == "neck":
            result.necks_shown += over
            result.necks_missed += over and not any(a.data["limit"] == "neck" for a in heard)
        else:
            result.drops += 1
            result.drops_shown += over
            covered = row["covered_hot"] and witness == "peak-hold"
            result.drops_covered += covered
            unexplained = [a for a in heard if not any(a.meets(s["from"], s["to"], tolerance) for s in solid)]
            if unexplained:
                result.drops_alarmed += 1
                result.drops_covered_alarmed += covered
                result.alarmed_drops.append({"alarm": unexplained[0].rule, **row})
            elif any(a.meets(low, high, piece) and not _on_solid(a, solid) for a in heard):
                # within registration of a lump the witness cannot say which of the two it saw
                result.drops_beside_alarmed += 1


def _on_solid(alarm: Piece, solid: list[dict[str, Any]]) -> bool:
    """Whether a lump or neck lies under the alarm's own metres."""
    return any(alarm.meets(row["from"], row["to"], 0.0) for row in solid)


def judge_alarms(result: Score, flaws: list[dict[str, Any]], alarms: list[Piece], tolerance: float, piece: float) -> None:
    """Each alarm belongs to the flaw it lies on, or the nearest it meets: a second alarm of one rule on one flaw is a double."""
    belongs: dict[tuple[str, int], int] = {}
    flawed: dict[int, float] = {}
    for alarm in alarms:
        middle = (alarm.start + alarm.end) / 2
        met = [i for i, row in enumerate(flaws) if alarm.meets(row["from"], row["to"], tolerance)]
        result.alarmed_metres += alarm.end - alarm.start
        if not met:
            result.false_alarms += 1
            continue

        # the flaw nearest to the alarm's middle; a lump explains it before a drop does only where both lie there
        def away(i: int, middle: float = middle) -> tuple[float, bool]:
            return max(0.0, flaws[i]["from"] - middle, middle - flaws[i]["to"]), flaws[i]["kind"] == "drop"

        nearest = min(met, key=away)
        belongs[alarm.rule, nearest] = belongs.get((alarm.rule, nearest), 0) + 1
        flawed.update({i: flaws[i]["to"] - flaws[i]["from"] for i in met})
    result.doubles += sum(n - 1 for n in belongs.values())
    rules = len({a.rule for a in alarms})
    result.alarmed_metres_allowed = 2.0 * max(1, rules) * sum(flawed.values()) + piece * len(alarms)


def judge_sparks(
    result: Score,
    header: dict[str, Any],
    truth: Sequence[dict[str, Any]],
    events: Sequence[dict[str, Any]],
    travelled: float,
    between: Callable[[float], float],
) -> None:
    """A spark fault is located by the nearest event; `travelled` is what passes between two polls of the fault counter."""
    told = pieces_of(events, "spark")
    result.spark_allowed = travelled + header["electrode"] + between(header["spark"] - header["reference"])
    for row in truth:
        if row["kind"] == "pinhole" and row["counted"]:
            result.sparks += 1
            distances = [abs(_metre(p) - row["metre"]) for p in told]
            if not distances or min(distances) > result.spark_allowed:
                result.sparks_missed += 1
                result.missed.append({"class": "spark", **row})
                continue
            result.spark_distance = max(result.spark_distance, min(distances))
            result.sparks_outside += not any(p.meets(row["metre"], row["metre"], 0.0) for p in told)


def judge_cuts(result: Score, truth: Sequence[dict[str, Any]], events: Sequence[dict[str, Any]]) -> None:
    """A cut is found when an event lies within 2 m and its own stated uncertainty, whichever is more."""
    told = pieces_of(events, "cut")
    for row in truth:
        if row["kind"] == "cut":
            result.cuts += 1
            near = [p for p in told if abs(_metre(p) - row["metre"]) <= max(2.0, p.data.get("metre_uncertainty") or 0.0)]
            if not near:
                result.cuts_missed += 1
                continue
            result.cut_distance = max(result.cut_distance, min(abs(_metre(p) - row["metre"]) for p in near))


def _metre(piece: Piece) -> float:
    metre = piece.data.get("metre")
    return float(metre) if metre is not None else (piece.start + piece.end) / 2
