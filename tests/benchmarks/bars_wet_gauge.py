"""The bars of the wet gauge over many seeds, through the core:

    python tests/benchmarks/bars_wet_gauge.py --lumps 3000 --out /tmp/bars

For each kind of witness and each speed it runs simulated lines, leaves truth.jsonl and events.jsonl, and scores these files alone.
"""

import argparse
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from metrepost_sim.scenarios import bars
from metrepost_sim.score import Score, combined, score_files
from metrepost_sim.score_table import table
from support_bars import WITNESSES, bars_line, polling, run_scenario, with_rules

SPEEDS = (20.0, 50.0, 79.0, 110.0, 150.0)
CHUNK = 250
SPACING = 10.0
"""Metres from lump to lump on average; with 5 drops to 3 lumps that is 17 drops per 100 m, a failing wipe."""


def one(witness: str, speed: float, seed: int, lumps: int, folder: Path) -> tuple[Path, Path, int]:
    """One run."""
    line = with_rules(bars_line(), witness=witness)
    return run_scenario(bars(seed, speed=speed, lumps=lumps, spacing=SPACING), polling(witness), line, folder)


def broken_bars(s: Score) -> list[str]:
    """What a row of the table must be, in words, where it is not."""
    wrong = []
    if s.missed_clear:
        wrong.append(f"{s.missed_clear} lumps missed that the witness saw or nobody looked at")
    if s.unlisted_clear:
        wrong.append(f"{s.unlisted_clear} missed lumps are not listed as provisional drops")
    if s.doubles:
        wrong.append(f"{s.doubles} flaws with more than one alarm")
    if s.alarmed_metres > s.alarmed_metres_allowed:
        wrong.append(f"{s.alarmed_metres:.1f} m alarmed, {s.alarmed_metres_allowed:.1f} m allowed")
    if s.witness == "peak-hold" and s.speed <= 80 and s.drops_alarmed * 500 > s.drops:
        wrong.append(f"{s.drops_alarmed} of {s.drops} drops alarmed, more than 1 in 500")
    return wrong


def main() -> int:
    """Run, score, print; exit code 1 when a bar is broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lumps", type=int, default=3000, help="lumps per kind of witness, over all speeds and seeds")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    out = options.out or Path(tempfile.mkdtemp(prefix="bars-"))
    jobs = []
    for witness in WITNESSES:
        seed = options.seed
        for speed in SPEEDS:
            left = options.lumps // len(SPEEDS)
            while left > 0:
                lumps = min(CHUNK, left)
                jobs.append((witness, speed, seed, lumps, out / witness / f"{speed:g}-{seed}"))
                left -= lumps
                seed += 1
    began = time.monotonic()
    readings = 0
    pairs = []
    with ProcessPoolExecutor(2) as pool:
        for truth, events, n in pool.map(one, *zip(*jobs, strict=True)):
            pairs.append((truth, events))
            readings += n
    took = time.monotonic() - began
    scores = combined(score_files(t, e) for t, e in pairs)
    print(table(scores))
    print(f"{readings} readings in {took:.0f} s, two processes; files in {out}")
    broken = [f"{s.witness} at {s.speed:g} m/min: {wrong}" for s in scores for wrong in broken_bars(s)]
    print("\n".join(f"bar broken: {b}" for b in broken) or "every bar is met")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
