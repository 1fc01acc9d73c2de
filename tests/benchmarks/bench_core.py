"""What the whole core costs for a reading: `python tests/benchmarks/bench_core.py --minutes 5`.

The shipped rules on the whole simulated line, in process. The floor, in the same run, is handing the same items to a function that looks
them up by tag and makes one `Measured` each: the least that tying readings to the cable can cost. Prints readings per CPU second of
both and their ratio, for each of `--runs`.
"""

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from metrepost.assembly import assemble
from metrepost.readings import Input, Measured, Reading
from metrepost_sim.direct import DirectLine
from metrepost_sim.scenarios import healthy
from support_bars import bars_line


def floor(items: list[Input]) -> float:
    """CPU seconds of the least work."""
    tags = bars_line().plan.tags
    last: dict[str, Measured] = {}
    began = time.process_time()
    for item in items:
        if type(item) is Reading and item.tag in tags:
            last[item.tag] = Measured(
                item.tag, item.time, item.value, item.quality, item.reason, 0.0, 0.0, 0.0, 0.0, covered=True, speed=0.0
            )
    return time.process_time() - began


def core(items: list[Input]) -> float:
    """CPU seconds of a fresh core."""
    made = assemble(bars_line())
    began = time.process_time()
    for item in items:
        made.feed(item)
    return time.process_time() - began


def main() -> None:
    """Both, in turn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    scenario = healthy(1, duration=options.minutes * 60.0)
    items = list(DirectLine(scenario).inputs(scenario.duration))
    readings = sum(type(item) is Reading for item in items)
    for _ in range(options.runs):
        least, whole = floor(items), core(items)
        print(
            f"{readings} readings: core {readings / whole:.0f} a CPU second, floor {readings / least:.0f}, "
            f"core is {whole / least:.0f} floors"
        )


if __name__ == "__main__":
    main()
