"""Scores events against the truth. It reads truth.jsonl and events.jsonl and nothing else.

``python -m metrepost_sim.score TRUTH EVENTS [TRUTH EVENTS ...] [--json]``. What is counted, and against what:

* lumps that a read of the cold gauge showed over the limit, by what their witness could know; missed is a lump without a product
  alarm of a flaw rule (transition ``raised``, limit ``lump``) whose piece meets the lump's, tolerance included;
* drops, and those on which such an alarm lies that no lump beside them explains;
* doubles, alarmed metres, spark faults and cuts.

Tolerance: registration between the gauges (length + share x distance + time x speed) + one read piece (speed x poll).
"""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import orjson

from .score_card import Score, combined
from .score_judge import is_flaw_alarm, judge_alarms, judge_cuts, judge_flaws, judge_sparks, pieces_of

__all__ = ["Score", "combined", "read_rows", "score", "score_files"]


def read_rows(path: Path) -> list[dict[str, Any]]:
    """The rows of a .jsonl file. Raises ValueError, naming the line, when one is not a JSON object."""
    rows = []
    for number, line in enumerate(path.read_bytes().splitlines(), start=1):
        if not line.strip():
            continue
        try:
            row = orjson.loads(line)
        except orjson.JSONDecodeError as error:
            raise ValueError(f"{path}, line {number}: {error}") from error
        if not isinstance(row, dict):
            raise ValueError(f"{path}, line {number}: a JSON object is expected")  # noqa: TRY004  # a wrong file, not a wrong call
        rows.append(row)
    return rows


def score(truth: Sequence[dict[str, Any]], events: Sequence[dict[str, Any]]) -> Score:
    """Score one run. Raises ValueError when the truth has no header row."""
    if not truth or truth[0].get("kind") != "header":
        raise ValueError("the truth does not begin with its header row; is it a truth.jsonl?")
    header = truth[0]
    speed = header["speed"] / 60.0
    polls = header.get("poll", {})
    piece = speed * polls.get("cold-gauge.x_max", polls.get("cold-gauge.x", 0.02))
    registration = header["registration"]

    def between(distance: float) -> float:
        return float(registration["length"] + registration["share"] * abs(distance) + registration["time"] * speed)

    tolerance = between(header["cold"] - header["hot"]) + piece
    alarms = [p for p in pieces_of(events, "alarm") if is_flaw_alarm(p.data)]
    listed = pieces_of(events, "drop")
    result = Score(header["witness"], header["speed"], alarms=len(alarms))
    flaws = [row for row in truth if row["kind"] in ("lump", "neck", "drop")]
    judge_flaws(result, header, [row for row in flaws if row["passed"]], alarms, listed, tolerance, piece)
    judge_alarms(result, flaws, alarms, tolerance, piece)
    judge_sparks(result, header, truth, events, speed * polls.get("spark-tester.faults", 0.1), between)
    judge_cuts(result, truth, events)
    return result


def score_files(truth: Path, events: Path) -> Score:
    """Score two files. Raises OSError or ValueError, saying what is wrong with which."""
    return score(read_rows(truth), read_rows(events))


def main(arguments: Sequence[str] | None = None) -> int:
    """The command. Exit code 0: scored; 2: a file could not be read."""
    from .score_table import table  # rich is loaded only where a table is wanted

    parser = argparse.ArgumentParser(prog="python -m metrepost_sim.score", description="Score events against the truth.")
    parser.add_argument("files", nargs="+", type=Path, metavar="TRUTH EVENTS", help="pairs of truth.jsonl and events.jsonl")
    parser.add_argument("--json", action="store_true", help="print JSON instead of tables")
    options = parser.parse_args(arguments)
    files: list[Path] = options.files
    if len(files) % 2:
        parser.error(f"files come in pairs TRUTH EVENTS; {len(files)} given")
    try:
        scores = combined(score_files(t, e) for t, e in zip(files[::2], files[1::2], strict=True))
    except (OSError, ValueError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    if options.json:
        sys.stdout.write(orjson.dumps([s.as_dict() for s in scores], option=orjson.OPT_INDENT_2).decode() + "\n")
    else:
        sys.stdout.write(table(scores))
    return 0


if __name__ == "__main__":
    sys.exit(main())
