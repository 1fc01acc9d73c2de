"""A healthy shift and a bad one with the shipped rules on the whole line: `python tests/benchmarks/bars_shift.py --hours 10`.

Prints the alarm load per class (rolling windows), the most frequent alarms and the priority split of what was annunciated, all counted
from the events. Exit code 1 when the healthy shift has more than one alarm in ten minutes on average, a flood, or an alarm for water.
"""

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rich.console import Console
from rich.table import Table

from metrepost.alarms.load import AlarmLoad, LoadMeter
from metrepost.assembly import assemble
from metrepost.events import AlarmEvent, DropEvent, Event, LoadEvent
from metrepost_sim.direct import START, DirectLine
from metrepost_sim.scenarios import bad, healthy
from support_bars import bars_line

BEGIN = 60.0
"""The first minute is left out: cable before the cold gauge that the hot one has not seen yet has no witness."""


def shift(name: str, hours: float, seed: int) -> tuple[AlarmLoad, Counter[str], Counter[str], int, int, int, float]:
    """Load figures, alarms, priorities, floods, drops held back, readings, seconds taken."""
    scenario = healthy(seed, duration=hours * 3600.0) if name == "healthy" else bad(seed, duration=hours * 3600.0)
    core, source, meter = assemble(bars_line()), DirectLine(scenario), LoadMeter()
    alarms: Counter[str] = Counter()
    priorities: Counter[str] = Counter()
    floods = drops = 0
    began = time.monotonic()
    now = START
    for item in source.inputs(scenario.duration):
        for told in core.feed(item):
            if not isinstance(told, Event):
                continue
            now = core.now
            if isinstance(told.data, AlarmEvent) and now > START + BEGIN:
                meter.note(told.data, now)
                if told.data.transition == "raised":
                    alarms[told.data.alarm] += 1
                    priorities[told.data.priority] += 1
            elif isinstance(told.data, LoadEvent):
                floods += told.data.began
            elif isinstance(told.data, DropEvent):
                drops += 1
    meter.tick(now)
    return meter.figures(now), alarms, priorities, floods, drops, source.readings, time.monotonic() - began


def main() -> int:
    """Both shifts, side by side."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    console = Console(width=130)
    broken = []
    with ProcessPoolExecutor(2) as pool:
        runs = {name: pool.submit(shift, name, options.hours, options.seed) for name in ("healthy", "bad")}
        for name, run in runs.items():
            figures, alarms, priorities, floods, drops, readings, took = run.result()
            table = Table(
                title=f"{name} shift of {options.hours:g} h: {readings} readings in {took:.0f} s", title_justify="left"
            )
            for head in ("class", "alarms", "per 10 min", "most in 10 min", "floods", "chattering"):
                table.add_column(head, justify="left" if head == "class" else "right")
            for kind, c in figures.classes.items():
                per = c.last_day / (options.hours * 6)
                table.add_row(kind, str(c.last_day), f"{per:.2f}", str(c.most_in_10_min), str(c.floods), str(len(c.chattering)))
                if name == "healthy" and (per > 1.0 or c.floods):
                    broken.append(f"{kind}: {per:.2f} alarms in 10 min, {c.floods} floods")
            console.print(table)
            total = sum(priorities.values())
            split = ", ".join(f"{p} {n / total:.0%}" for p, n in priorities.most_common()) if total else "no alarm"
            console.print(
                f"annunciated by priority: {split}; most frequent: {alarms.most_common(6)}; drops held back: {drops}; floods: {floods}"
            )
            water = [a for a in alarms if a in ("cold-lump.lump", "wipe-failing.over")]
            if name == "healthy" and water:
                broken.append(f"alarms for water: {[(a, alarms[a]) for a in water]}")
    for wrong in broken:
        print(f"bar broken: healthy shift: {wrong}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
