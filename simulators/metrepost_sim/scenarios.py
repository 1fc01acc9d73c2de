"""The scenarios that come with the simulator. Each is a function of seed and a few numbers; the same arguments, the same line."""

from collections.abc import Callable
from typing import Any

import numpy as np

from .counter import CounterFault
from .flaws import Flaw
from .line_file import LineFile, read_line_file
from .making import LIMIT, NORMAL_DROPS, drop, drops_between, failing_wipe, lump, profile, recurring
from .motion import Motion, SpeedPoint
from .noise import generator
from .scenario import (
    ConductorFault,
    Disturbance,
    Outage,
    Pinhole,
    ProductChange,
    ReelChange,
    Scenario,
    Stop,
    Surface,
    WipeFailure,
)


def _run(speed: float, duration: float) -> float:
    return speed / 60.0 * duration


def steady(seed: int = 1, *, speed: float = 80.0, duration: float = 600.0, drops: float = 0.0) -> Scenario:
    """Nothing happens; `drops` per 100 m if wanted."""
    rng = generator(seed, "steady")
    water = drops_between(rng, 1000.0, 1010.0 + _run(speed, duration), drops)
    return Scenario("steady", seed, duration, speed, (SpeedPoint(0.0, speed),), flaws=tuple(water))


def healthy(
    seed: int = 1, *, speed: float = 90.0, duration: float = 36_000.0, drops: float = NORMAL_DROPS, reel: float = 6000.0
) -> Scenario:
    """A good shift: noise, drift, the drops that any wipe leaves, and a reel change every `reel` metres."""
    rng = generator(seed, "healthy")
    water = drops_between(rng, 1000.0, 1010.0 + _run(speed, duration), drops)
    every = reel / (speed / 60.0)
    changes = tuple(ReelChange(float(at)) for at in np.arange(every * 0.6, duration - 30.0, every))
    return Scenario("healthy", seed, duration, speed, (SpeedPoint(0.0, speed),), flaws=tuple(water), reel_changes=changes)


def bars(
    seed: int = 1,
    *,
    speed: float = 80.0,
    lumps: int = 100,
    drops_per_lump: float = 5.0 / 3.0,
    spacing: float = 3.0,
    late: float = 0.1,
    lead: float = 80.0,
    counter_start: float = 1000.0,
    limit: float = LIMIT,
) -> Scenario:
    """Lumps and drops for the bars of the wet gauge.

    `spacing` (m, over 2) is the mean from lump to lump, never below 2 m; a share `late` of them is born after the hot gauge. One
    drop in ten lies beside a lump, within 0.3 m; the others at least 0.5 m from any. The first flaw lies `lead` metres behind the
    cold gauge, so that all of the cable that is judged has passed the hot gauge too.
    """
    if spacing < 2.0:
        raise ValueError(f"spacing is {spacing} m; lumps stand 2 m apart or more")
    rng = generator(seed, "bars")
    gaps = 2.0 + rng.exponential(max(spacing - 2.0, 1e-9), lumps)
    metres = counter_start + lead + np.cumsum(gaps)
    flaws = [lump(rng, float(m), "after-hot" if rng.random() < late else "die", limit) for m in metres]
    count = int(rng.poisson(drops_per_lump * lumps))
    beside = round(count * 0.1)
    for m in rng.choice(metres, beside):
        flaws.append(drop(rng, float(m + rng.uniform(-0.3, 0.3))))
    free = 0
    while free < count - beside:
        m = float(rng.uniform(metres[0] - 5.0, metres[-1] + 2.0))
        if np.abs(metres - m).min() > 0.5:
            flaws.append(drop(rng, m))
            free += 1
    duration = (float(metres[-1]) + 10.0 - counter_start) / (speed / 60.0)
    points = (SpeedPoint(0.0, speed),)
    return Scenario("bars", seed, duration, speed, points, flaws=tuple(flaws), counter_start=counter_start, limit=limit)


def demo(seed: int = 1, *, duration: float = 3600.0, file: LineFile | None = None) -> Scenario:
    """Something for everybody within the first minute, then again and again in another order.

    The line starts at 104 m/min and slows down to 78, so that the cable that has passed the hot gauge since the start comes to
    the cold gauge within the minute, at a speed at which a drop can be told from a lump.
    """
    file = file or read_line_file()
    rng = generator(seed, "demo")
    start, fast, slow = 1000.0, 104.0, 78.0
    points = [SpeedPoint(0.0, fast), SpeedPoint(32.0, fast), SpeedPoint(36.0, slow), SpeedPoint(duration, slow)]
    shell = Scenario("demo", seed, duration, fast, tuple(points), counter_start=start)
    motion = Motion(shell.speeds, start, duration, fast)

    def at(station: str, t: float) -> float:
        """Metre in front of a station at t."""
        return float(motion.counter(np.array([t]))[0]) + file.reference - file.place(station).position

    def between(station: str, low: float, high: float) -> float:
        return at(station, float(rng.uniform(low, high)))

    end = at("plc", duration)
    flaws: list[Flaw] = [
        # in the line from the start: the hot gauge has not seen these since anybody watches
        Flaw("lump", between("cold-gauge", 6.5, 8.5), 0.16, 0.045, 20.0, 140.0),
        Flaw("neck", between("cold-gauge", 11.0, 13.0), 0.12, 0.060, 0.0, 360.0),
        Flaw("lump", between("cold-gauge", 17.0, 19.0), 0.11, 0.025, 80.0, 90.0),
        # these have a witness
        Flaw("lump", between("cold-gauge", 39.5, 40.5), 0.15, 0.035, 10.0, 120.0),
        Flaw("lump", between("cold-gauge", 44.0, 45.0), 0.18, 0.080, 95.0, 200.0),
        Flaw("lump", between("cold-gauge", 49.5, 50.5), 0.14, 0.020, 60.0, 150.0, "after-hot"),
    ]
    for low, high, height, axes in (
        (4.0, 5.0, 0.17, (0.9, 0.1)),
        (38.0, 39.0, 0.19, (0.9, 0.5)),
        (42.0, 43.0, 0.14, (0.05, 0.95)),
        (47.0, 48.0, 0.22, (0.9, 0.0)),
    ):
        flaws.append(Flaw("drop", between("cold-gauge", low, high), height, 0.010, 0.0, 60.0, "wipe", axes, 0.0))
    # a drop right on top of a lump: the lump must still be heard
    flaws.append(Flaw("drop", flaws[4].metre + 0.02, 0.25, 0.012, 0.0, 60.0, "wipe", (0.9, 0.6), 0.0))
    failures = [WipeFailure(45.5, 51.5, 140.0)]
    pinholes = [Pinhole(between("spark-tester", 14.0, 15.0)), Pinhole(between("spark-tester", 34.0, 35.0))]
    changes = [ReelChange(24.0)]
    disturbances = [Disturbance("nitrogen", 9.0, -9.0, 2.0, 4.0, 4.0), Disturbance("water", 27.0, 5.0, 4.0, 6.0, 8.0)]
    conductor = [ConductorFault(between("bare-gauge", 20.0, 22.0), 0.9, -0.014)]
    minute = 60.0
    while minute < duration - 60.0:
        for _ in range(int(rng.integers(2, 5))):
            flaws.append(lump(rng, between("cold-gauge", minute, minute + 58.0), "after-hot" if rng.random() < 0.2 else "die"))
        if rng.random() < 0.5:
            pinholes.append(Pinhole(between("spark-tester", minute, minute + 58.0)))
        if rng.random() < 0.2:
            failures.append(WipeFailure(minute + 20.0, minute + 26.0, 120.0))
        if rng.random() < 0.2:
            disturbances.append(Disturbance("nitrogen", minute + 5.0, float(rng.choice([-9.0, 8.0]))))
        if rng.random() < 0.15:
            conductor.append(ConductorFault(between("bare-gauge", minute, minute + 50.0), 0.9, -0.014))
        if round(minute) % 600 == 0:
            changes.append(ReelChange(minute + 15.0))
        minute += 60.0
    flaws += drops_between(rng, at("cold-gauge", 60.0), end, 3.0)
    flaws += failing_wipe(rng, at, failures)
    return Scenario(
        "demo",
        seed,
        duration,
        fast,
        tuple(points),
        counter_start=start,
        flaws=tuple(flaws),
        pinholes=tuple(pinholes),
        conductor=tuple(conductor),
        disturbances=tuple(disturbances),
        wipe_failures=tuple(failures),
        reel_changes=tuple(changes),
    )


def bad(seed: int = 1, *, speed: float = 80.0, duration: float = 1800.0, file: LineFile | None = None) -> Scenario:
    """A bad half hour: stops, an emergency stop, a product change, counter faults, gauges that fail, rough core."""
    file = file or read_line_file()
    rng = generator(seed, "bad")
    stops = (Stop(300.0, 380.0), Stop(1150.0, 1230.0, emergency=True))
    points = profile(speed, stops, duration)
    motion = Motion(points, 99_700.0, duration, speed)

    def at(station: str, t: float) -> float:
        return float(motion.counter(np.array([t]))[0]) + file.reference - file.place(station).position

    low, high = at("cold-gauge", 0.0), at("plc", duration)
    metres = rng.uniform(low, high, int((high - low) / 15.0))
    flaws = [lump(rng, float(m), "after-hot" if rng.random() < 0.2 else "die") for m in metres]
    flaws += [Flaw("neck", float(m), 0.12, 0.05, float(rng.uniform(0, 360)), 200.0) for m in rng.uniform(low, high, 20)]
    failures = (WipeFailure(600.0, 640.0, 90.0),)
    flaws += drops_between(rng, low, high, 3.0) + failing_wipe(rng, at, failures)
    flaws += recurring(at("cold-gauge", 1450.0), 1.2, 25)
    return Scenario(
        "bad",
        seed,
        duration,
        speed,
        points,
        counter_start=99_700.0,
        counter_faults=(
            CounterFault("zero", 800.0),
            CounterFault("jump", 900.0, 37.5),
            CounterFault("stand", 1000.0, until=1004.0),
        ),
        products=(ProductChange(480.0, 76), ProductChange(1350.0, 75)),
        surface=Surface(drift=0.012, screw=0.006, haul_off=0.004),
        flaws=tuple(flaws),
        pinholes=tuple(Pinhole(float(m)) for m in rng.uniform(low, high, 25)),
        conductor=(ConductorFault(at("bare-gauge", 700.0), 1.5, -0.03),),
        disturbances=(Disturbance("nitrogen", 200.0, -12.0, hold=20.0), Disturbance("water", 720.0, 8.0, hold=40.0)),
        wipe_failures=failures,
        reel_changes=(ReelChange(150.0), ReelChange(1400.0)),
        stops=stops,
        outages=(
            Outage("hot-gauge", "freeze", 540.0, 560.0),
            Outage("cold-gauge", "bad", 680.0, 690.0),
            Outage("gauges", "down", 1290.0, 1296.0),
        ),
    )


SCENARIOS: dict[str, Callable[..., Scenario]] = {
    "steady": steady,
    "demo": demo,
    "bars": bars,
    "healthy": healthy,
    "bad": bad,
}


def scenario(name: str, seed: int = 1, **options: Any) -> Scenario:
    """A scenario by name. Raises ValueError, with the names there are, when there is none of that name."""
    if name not in SCENARIOS:
        raise ValueError(f"no scenario {name!r}; there are {', '.join(SCENARIOS)}")
    return SCENARIOS[name](seed, **options)
