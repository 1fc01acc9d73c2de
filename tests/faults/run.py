"""The long form of the fault rig: `python tests/faults/run.py --kills 200 --events 50000`.

Rounds of 25 kills, each with a line, broker and journal of its own, until both numbers are reached; then a table and result.json. A run
that was broken off goes on where it was when it is given the same `--out` and `--seed`: rounds that have ended are not done again.
Exit code 1 when anything is wrong. `--disk` adds a full, forbidden and read-only disk (root only) and a wall clock that is set by an hour.
"""

import argparse
import json
import shutil
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from fault_checker import Record, judge  # noqa: E402  its folder is put on the path above
from fault_rig import DISK_KINDS, KINDS, Round  # noqa: E402
from rich.console import Console  # noqa: E402
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn  # noqa: E402
from rich.table import Table  # noqa: E402

KILLS = 25
"""Kills a round."""


def total(rounds: list[dict[str, Any]]) -> dict[str, Any]:
    """All rounds in one."""
    counts: Counter[str] = Counter()
    wrong: dict[str, list[str]] = {}
    for n, one in enumerate(rounds, 1):
        counts.update(one["counts"])
        for kind, sentences in one["wrong"].items():
            wrong.setdefault(kind, []).extend(f"round {n}: {s}" for s in sentences)
    return {
        "rounds": len(rounds),
        "seconds": round(sum(one["seconds"] for one in rounds)),
        "counts": dict(counts),
        "wrong": wrong,
    }


def table(result: dict[str, Any]) -> Table:
    """Counts first, then what is wrong."""
    shown = Table(title=f"{result['rounds']} rounds in {result['seconds']} s", title_justify="left")
    shown.add_column("what")
    shown.add_column("number", justify="right")
    for what, number in sorted(result["counts"].items()):
        shown.add_row(what, str(number))
    for kind in (
        "told once",
        "no quiet gap",
        "no hole",
        "in order",
        "doubles",
        "agreement",
        "told uncommitted",
        "watched on",
        "clock",
    ):
        shown.add_row(f"broken: {kind}", str(len(result["wrong"].get(kind, []))))
    return shown


def again(folder: Path) -> dict[str, Any]:
    """Judge a round that has ended once more, from its files."""
    old = json.loads((folder / "result.json").read_text())
    rows = map(json.loads, (folder / "records.jsonl").read_text().splitlines())
    truth = [json.loads(row) for row in (folder / "truth.jsonl").read_text().splitlines()]
    harm = [json.loads(row) for row in (folder / "actions.jsonl").read_text().splitlines()]
    verdict = judge([Record(r["topic"], r["payload"]) for r in rows], truth, [(h["from"], h["to"]) for h in harm])
    verdict.counts.update({k: v for k, v in old["counts"].items() if k.startswith("harm: ")})
    return {**verdict.as_dict(), "seconds": old["seconds"]}


def main() -> int:
    """Rounds, with a bar; then the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--events", type=int, default=50_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("fault-run"))
    parser.add_argument("--up", type=float, default=3.0, help="longest time between two kills, seconds, beside other harm")
    parser.add_argument("--disk", action="store_true", help="harm to disk and clock, too; needs root")
    parser.add_argument("--judge-only", action="store_true", help="judge the rounds in --out once more and do none")
    given = parser.parse_args()
    console = Console()
    also = ("full disk", *DISK_KINDS, "clock", "clock while down") if given.disk else ()  # each once a round, and by chance
    rounds: list[dict[str, Any]] = []
    if given.judge_only:
        for file in sorted(given.out.glob("round-*/result.json")):
            rounds.append(again(file.parent))
    else:
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        with Progress(*columns, console=console) as progress:
            bar_kills = progress.add_task("kills ", total=given.kills)
            bar_events = progress.add_task("events", total=given.events)
            kills = events = 0
            while kills < given.kills or events < given.events:
                folder = given.out / f"round-{len(rounds) + 1:03}"
                result = folder / "result.json"
                if not result.exists():
                    shutil.rmtree(folder, ignore_errors=True)

                    def shown(_what: str, more: int, base: tuple[int, int] = (kills, events)) -> None:
                        progress.advance(bar_kills)
                        progress.update(bar_events, completed=base[1] + more)

                    began = time.monotonic()
                    seed = given.seed * 1000 + len(rounds)
                    verdict = Round(
                        folder, seed=seed, kills=KILLS, kinds=(*KINDS, *also), also=also, up=(1.0, given.up), progress=shown
                    ).run()
                    row = {**verdict.as_dict(), "seconds": round(time.monotonic() - began, 1)}
                    result.write_text(json.dumps(row, indent=1))
                rounds.append(json.loads(result.read_text()))
                sums = total(rounds)["counts"]
                kills, events = sums["harm: SIGKILL"], sums["events"]
                progress.update(bar_kills, completed=kills)
                progress.update(bar_events, completed=events)
    whole = total(rounds)
    (given.out / "result.json").write_text(json.dumps(whole, indent=1))
    console.print(table(whole))
    for kind, sentences in whole["wrong"].items():
        for sentence in sentences[:20]:
            console.print(f"{kind}: {sentence}", markup=False, highlight=False)
    return 1 if whole["wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())
