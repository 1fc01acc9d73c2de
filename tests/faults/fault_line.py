"""The line of the fault rig, as a process: dense flaws, real servers, ground truth at the end.

    python fault_line.py LINE_FILE TRUTH SEED SECONDS

A lump every 2.4 m, a neck half-way between two, a pinhole every 2.5 m, a reel change every 40 s, at 4 m/s. So far apart that half the
cable is sound even when a loaded machine reads only three times a second; the rules are many instead, for some 60 events a second.
Every flaw stands well over its rule's limit on at least one axis of both gauges, so that only what was looked at decides.
"""

import asyncio
import contextlib
import json
import signal
import sys
from pathlib import Path

from metrepost_sim.flaws import Flaw
from metrepost_sim.line_file import read_line_file
from metrepost_sim.motion import SpeedPoint
from metrepost_sim.noise import generator
from metrepost_sim.scenario import Pinhole, ReelChange, Scenario
from metrepost_sim.servers import SimulatedLine

SPEED = 240.0
"""m/min."""
START = 1000.0
"""Counter at the start, m."""
LUMP_EVERY, HOLE_EVERY, CUT_EVERY = 2.4, 2.5, 40.0


def scenario(seed: int, seconds: float) -> Scenario:
    """The same seed, the same cable."""
    rng = generator(seed, "faults")
    end = START + SPEED / 60.0 * seconds + 90.0
    flaws: list[Flaw] = []
    metre = START - 20.0
    while metre < end:
        for kind, at in (("lump", metre), ("neck", metre + LUMP_EVERY / 2)):
            place = at + float(rng.uniform(-0.05, 0.05))
            height, length = float(rng.uniform(0.16, 0.24)), float(rng.uniform(0.02, 0.06))
            angle = float(rng.uniform(0.0, 360.0))
            flaws.append(Flaw("lump" if kind == "lump" else "neck", place, height, length, angle, 170.0))
        metre += LUMP_EVERY
    holes = []
    metre = START
    while metre < end:
        holes.append(Pinhole(metre + float(rng.uniform(0.0, 1.5))))
        metre += HOLE_EVERY
    cuts = []
    at = 20.0
    while at < seconds:
        cuts.append(ReelChange(at, fill=2.0, empty=6.0))
        at += CUT_EVERY
    return Scenario(
        "faults",
        seed,
        seconds,
        SPEED,
        (SpeedPoint(0.0, SPEED),),
        counter_start=START,
        flaws=tuple(flaws),
        pinholes=tuple(holes),
        reel_changes=tuple(cuts),
    )


async def main(file: Path, truth: Path, seed: int, seconds: float) -> None:
    """Serve until told to stop; then write the truth."""
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    async with SimulatedLine(scenario(seed, seconds), seed=seed, file=read_line_file(file)) as line:
        sys.stdout.write(json.dumps({"start": line.start, "addresses": line.addresses}) + "\n")
        sys.stdout.flush()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await stop.wait()
    line.write_truth(truth)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])))
