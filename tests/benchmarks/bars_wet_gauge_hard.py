"""The wet gauge at its hardest, by case, over seeds: `python tests/benchmarks/bars_wet_gauge_hard.py --seeds 5`.

Exit code 1 when a lump was missed that the witness saw or nobody looked at. The price is printed: drops that raised an alarm.
"""

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rich.console import Console
from rich.table import Table

from metrepost_sim.score import score_files
from metrepost_sim.score_card import BLIND, UNCOVERED, WITNESSED, Score
from support_bars import bars_line, run_scenario, with_rules
from support_hard import CASES


def one(name: str, seed: int, folder: Path) -> Score:
    """One case with one seed."""
    scenario, polling = CASES[name](seed)
    truth, events, _ = run_scenario(scenario, polling, with_rules(bars_line(), witness="peak-hold"), folder / f"{name}-{seed}")
    return score_files(truth, events)


def main() -> int:
    """Run all cases, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    out = options.out or Path(tempfile.mkdtemp(prefix="hard-"))
    jobs = [(name, seed) for name in CASES for seed in range(1, options.seeds + 1)]
    totals: dict[str, Score] = {}
    with ProcessPoolExecutor(2) as pool:
        for (name, _), score in zip(jobs, pool.map(one, *zip(*jobs, strict=True), [out] * len(jobs)), strict=True):
            totals.setdefault(name, Score("peak-hold", 0.0, runs=0)).add(score)
    table = Table(title=f"The wet gauge at its hardest, {options.seeds} seeds")
    for head in (
        "case",
        "witness saw it",
        "no coverage",
        "no witness could see",
        "drops with witness alarmed",
        "without",
        "beside a lump",
    ):
        table.add_column(head, justify="left" if head == "case" else "right")
    for name, s in totals.items():
        cells = [
            f"{s.lumps_shown[k].missed - s.lumps_shown[k].near} of {s.lumps_shown[k].shown}"
            for k in (WITNESSED, UNCOVERED, BLIND)
        ]
        covered = f"{s.drops_covered_alarmed} of {s.drops_covered}"
        without = f"{s.drops_alarmed - s.drops_covered_alarmed} of {s.drops - s.drops_covered}"
        table.add_row(name, *cells, covered, without, str(s.drops_beside_alarmed))
    Console(width=150).print(table)
    broken = {name: s.missed for name, s in totals.items() if s.missed_clear or s.unlisted_clear}
    for name, missed in broken.items():
        print(f"bar broken: {name}: {missed}")
    print(f"files in {out}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
