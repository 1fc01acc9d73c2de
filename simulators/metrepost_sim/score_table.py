"""The score as text: in every row both the lumps missed and the drops alarmed."""

import io
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table

from .score_card import BLIND, UNCOVERED, WITNESSED, Score


def _lumps(score: Score, kind: str) -> str:
    row = score.lumps_shown[kind]
    text = f"{row.missed} of {row.shown}"
    return f"{text} ({row.listed} listed, {row.near} near)" if row.missed else text


def table(scores: Sequence[Score], width: int = 132) -> str:
    """Two tables: lumps and drops by witness and speed; then alarms, spark faults and cuts."""
    lumps = Table(title="Lumps missed (of those the cold gauge showed) and drops alarmed", title_justify="left")
    for head in (
        "witness",
        "m/min",
        WITNESSED,
        UNCOVERED,
        BLIND,
        "drops alarmed",
        "covered drops alarmed",
        "per 1000",
        "beside a lump",
    ):
        lumps.add_column(head, justify="left" if head == "witness" else "right")
    others = Table(title="Alarms, spark faults, cuts", title_justify="left")
    heads = (
        "witness",
        "m/min",
        "alarms",
        "on no flaw",
        "doubles",
        "metres (allowed)",
        "necks missed",
        "sparks missed",
        "cuts missed",
    )
    for head in heads:
        others.add_column(head, justify="left" if head == "witness" else "right")
    for s in scores:
        speed = f"{s.speed:g}"
        drops = (
            f"{s.drops_alarmed} of {s.drops}",
            f"{s.drops_covered_alarmed} of {s.drops_covered}",
            f"{s.drops_alarmed_per_1000:.2f}",
            str(s.drops_beside_alarmed),
        )
        lumps.add_row(s.witness, speed, _lumps(s, WITNESSED), _lumps(s, UNCOVERED), _lumps(s, BLIND), *drops)
        metres = f"{s.alarmed_metres:.2f} ({s.alarmed_metres_allowed:.2f})"
        sparks = f"{s.sparks_missed} of {s.sparks}"
        if s.sparks > s.sparks_missed:
            sparks += f", {s.spark_distance:.2f} m off ({s.spark_allowed:.2f})"
        cuts = f"{s.cuts_missed} of {s.cuts}" + (f", {s.cut_distance:.2f} m off" if s.cuts > s.cuts_missed else "")
        necks = f"{s.necks_missed} of {s.necks_shown}"
        counts = str(s.alarms), str(s.false_alarms), str(s.doubles)
        others.add_row(s.witness, speed, *counts, metres, necks, sparks, cuts)
    buffer = io.StringIO()
    console = Console(file=buffer, width=width, color_system=None, legacy_windows=False)
    console.print(lumps)
    console.print(others)
    return buffer.getvalue()


def summary(s: Score) -> str:
    """One run in a few lines that fit any terminal."""

    def lumps(kind: str) -> str:
        row = s.lumps_shown[kind]
        listed = f", {row.listed} of them listed as drops" if row.missed else ""
        return f"{row.shown - row.missed} of {row.shown} alarmed{listed}"

    rows = [
        ("lumps the witness saw", lumps(WITNESSED)),
        ("lumps that passed it unseen", lumps(UNCOVERED)),
        ("lumps born after it", lumps(BLIND)),
        ("necks", f"{s.necks_shown - s.necks_missed} of {s.necks_shown} alarmed"),
        ("drops with a witness", f"{s.drops_covered - s.drops_covered_alarmed} of {s.drops_covered} held back"),
        ("drops without a witness", f"{s.drops_alarmed - s.drops_covered_alarmed} of {s.drops - s.drops_covered} alarmed"),
        ("alarms on no flaw", f"{s.false_alarms} of {s.alarms}"),
        ("spark faults", f"{s.sparks - s.sparks_missed} of {s.sparks} located, {s.spark_distance:.2f} m off at most"),
        ("reel changes", f"{s.cuts - s.cuts_missed} of {s.cuts} located, {s.cut_distance:.2f} m off at most"),
    ]
    width = max(len(name) for name, _ in rows)
    return "\n".join(["Score against what the simulator made", *(f"  {name:<{width}}  {text}" for name, text in rows)]) + "\n"
