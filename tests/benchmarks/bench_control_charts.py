"""Run lengths of the control charts: `python tests/benchmarks/bench_control_charts.py [runs]` (20 000 runs: some minutes).

Printed values: Lucas and Saccucci (1990), NIST/SEMATECH e-Handbook 6.3.2.3.1, Champ and Woodall (1987); from memory, recomputed.
"""

import random
import sys
from collections.abc import Callable
from math import sqrt

from metrepost.rules.charts import Chart, Cusum, Ewma, RunRules

CASES: list[tuple[str, Callable[[], Chart], dict[float, float]]] = [
    ("EWMA 0.2, 2.962", lambda: Ewma(0.2, 2.962), {0.0: 500, 0.5: 41.8, 1.0: 10.5, 2.0: 3.74, 3.0: 2.38}),
    ("EWMA 0.1, 2.814", lambda: Ewma(0.1, 2.814), {0.0: 500, 0.5: 31.3, 1.0: 10.3, 2.0: 4.36}),
    ("CUSUM 0.5, 4", lambda: Cusum(0.5, 4.0), {0.0: 168, 0.5: 26.6, 1.0: 8.38, 2.0: 3.34}),
    ("CUSUM 0.5, 5", lambda: Cusum(0.5, 5.0), {0.0: 465, 0.5: 38.0, 1.0: 10.4, 2.0: 4.01}),
    ("run rules 1-4", lambda: RunRules((1, 2, 3, 4)), {0.0: 91.75}),
]


def main(runs: int) -> None:
    """Print simulated and printed average run length, and their distance in standard errors."""
    for name, make, printed in CASES:
        for shift, expected in printed.items():
            rng, lengths = random.Random(17), []
            for _ in range(runs):
                chart, n = make(), 1
                while chart.update(rng.gauss(shift, 1.0)) is None:
                    n += 1
                lengths.append(n)
            mean = sum(lengths) / runs
            error = sqrt(sum((n - mean) ** 2 for n in lengths) / (runs - 1) / runs)
            off = (mean - expected) / error
            print(
                f"{name:16s} shift {shift:3.1f}: {mean:8.2f} ± {error:5.2f}, printed {expected:6.2f}, off by {off:+.1f} errors"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
