"""False rate of the period test on random drops: `python tests/benchmarks/bench_recurrence.py [stretches]`."""

import random
import sys

from metrepost.rules.recurrence import recurring


def main(stretches: int) -> None:
    """Print how many stretches of 100 random drops were taken for periodic, by density. Every drop is tested."""
    for density in (0.05, 0.2, 1.0):
        rng = random.Random(11)
        hits = 0
        for _ in range(stretches):
            metre, metres = 0.0, []
            for _ in range(100):
                metre += rng.expovariate(density)
                metres.append(metre)
            hits += any(recurring(metres[: i + 1], 0.03) is not None for i in range(100))
        print(f"{density * 100:5.0f} drops per 100 m: {hits} of {stretches} stretches of 100 drops taken for periodic")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
