"""What a reading costs in the rollups, as a ratio to a bare loop with a running sum.

Run: ``python tests/benchmarks/bench_rollups.py``. Prints nanoseconds per reading and per span and the ratio, which is what should
be compared between machines.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from metrepost.readings import Measured
from support_rollups import book, measured

READINGS = 100_000
REPEATS = 5
BAR = 3000.0
"""Nanoseconds per reading and span that should not be exceeded on the machine this was written on."""


def bare(readings: list[Measured]) -> float:
    """Nanoseconds per reading of a loop that only sums up."""
    begin = time.process_time()
    total = 0.0
    for m in readings:
        total += m.value
    return (time.process_time() - begin) / len(readings) * 1e9


def rollups(readings: list[Measured], lengths: tuple[tuple[str, float], ...], times: tuple[tuple[str, float], ...]) -> float:
    """Nanoseconds per reading through a book."""
    b = book(lengths, times)
    begin = time.process_time()
    for m in readings:
        b.reading(m, "p")
    return (time.process_time() - begin) / len(readings) * 1e9


def main() -> int:
    """Measure readings every 20 ms at 80 m/min: most stay inside their buckets, every 38th closes a metre."""
    readings = [measured(80.0 / 60.0 * 0.02 * i, 0.02 * i, 4.8 + 1e-3 * (i % 7)) for i in range(READINGS)]
    floor = min(bare(readings) for _ in range(REPEATS))
    print(f"bare loop with a running sum: {floor:.1f} ns per reading")
    worst = 0.0
    for name, lengths, times in (
        ("metre only (reels)", (), ()),
        ("one length", (("100m", 100.0),), ()),
        ("the usual four", (("100m", 100.0), ("1km", 1000.0)), (("10s", 10.0), ("1min", 60.0))),
    ):
        cost = min(rollups(readings, lengths, times) for _ in range(REPEATS))
        spans = 1 + len(lengths) + len(times)  # the metre from which reels are made is one more
        worst = max(worst, cost / spans)
        print(f"{name:>20}: {cost:7.0f} ns per reading, {cost / spans:6.0f} ns per span, {cost / floor:5.1f} x the bare loop")
    print(f"bar: {BAR:.0f} ns per span, {'kept' if worst <= BAR else 'broken'}")
    return 0 if worst <= BAR else 1


if __name__ == "__main__":
    sys.exit(main())
