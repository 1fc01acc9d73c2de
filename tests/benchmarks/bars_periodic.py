"""The false-alarm level and the accuracy of `periodic`, by simulation: `python tests/benchmarks/bars_periodic.py --runs 1000`.

Clean runs hold noise and their declared screw and capstan lines (3 and 2 µm); a false alarm is any line that fits neither. Exit code 1
when the stated level is exceeded beyond chance, or accuracy is missed.
"""

import argparse
import sys
from math import sqrt

import numpy as np

from metrepost.rules.spectrum import lines

STATED = 0.01
DECLARED = {"haul-off": 1.57, "screw": 1.667}
SPACING, LENGTH, NOISE = 0.0267, 200.0, 0.005


def window(rng: np.random.Generator, extra: tuple[float, float] | None = None) -> tuple[np.ndarray, np.ndarray]:
    """One window of the demonstration line: uneven by 3 % as polls are, noise, slow drift, declared lines."""
    n = int(LENGTH / SPACING)
    x = 1000.0 + np.cumsum(SPACING * (1 + 0.03 * rng.standard_normal(n)))
    y = 4.80 + rng.normal(0, NOISE, n) + 0.004 * np.sin(2 * np.pi * (x - 1000) / 700.0 + rng.uniform(0, 6))
    for period, amplitude in ((DECLARED["haul-off"], 0.002), (DECLARED["screw"], 0.003), *([extra] if extra else [])):
        y = y + amplitude * np.cos(2 * np.pi * x / period + rng.uniform(0, 6))
    return x, y


def main() -> int:
    """Print false alarms per window and the errors of period and amplitude."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000)
    options = parser.parse_args()
    rng = np.random.default_rng(11)
    false = found_both = 0
    for _ in range(options.runs):
        told = lines(*window(rng), shortest=0.05, longest=20.0, false_alarm=STATED)
        fits = [next((p for p, q in DECLARED.items() if abs(1 / line.period - 1 / q) <= 1 / LENGTH), "") for line in told]
        false += any(not f for f in fits)
        found_both += {"haul-off", "screw"} <= set(fits)
    allowed = STATED * options.runs + 3 * sqrt(STATED * options.runs)
    print(
        f"clean windows with a line that is not declared: {false} of {options.runs} (stated {STATED:.0%}, allowed {allowed:.0f})"
    )
    print(f"windows in which both declared lines of 2 and 3 µm were found: {found_both} of {options.runs}")
    broken = false > allowed
    for amplitude in (0.002, 0.006, 0.02):
        worst_period = worst_amplitude = worst_share = 0.0
        for period in (0.13, 0.4, 0.9, 2.3, 5.0):
            for _ in range(max(4, options.runs // 100)):
                told = lines(*window(rng, (period, amplitude)), shortest=0.05, longest=20.0, false_alarm=STATED)
                near = [line for line in told if abs(line.period / period - 1) < 0.05]
                if not near:
                    print(f"a line of {amplitude * 1000:g} µm at {period} m was not found")
                    broken = True
                    continue
                worst_period = max(worst_period, abs(near[0].period / period - 1))
                worst_amplitude = max(worst_amplitude, abs(near[0].amplitude - amplitude) / near[0].error)
                worst_share = max(worst_share, abs(near[0].amplitude / amplitude - 1))
        print(
            f"{amplitude * 1000:4.0f} µm: period off by {worst_period:.3%} at most, amplitude by {worst_amplitude:.1f} standard errors "
            f"({worst_share:.1%})"
        )
        # of hundreds of fits one may lie beyond three standard errors; 4.2 has a chance of 1 in 37 000 each
        broken = broken or worst_period > 0.01 or worst_amplitude > 4.2 or (amplitude >= 0.006 and worst_share > 0.1)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
