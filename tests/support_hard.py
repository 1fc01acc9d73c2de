"""The wet gauge at its hardest: named cases, each a scenario and a way of reading it. A case is a function of the seed."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from metrepost_sim.counter import CounterFault
from metrepost_sim.direct import BIG_BARS, Polling
from metrepost_sim.flaws import Flaw
from metrepost_sim.noise import generator
from metrepost_sim.scenario import Outage, Scenario, SpeedPoint, WipeFailure
from metrepost_sim.scenarios import drop, drops_between, lump, recurring

START = 1000.0
FIRST = START + 80.0
Case = tuple[Scenario, Polling]


def _lumps(rng: np.random.Generator, n: int, spacing: float = 6.0, born: str = "die") -> list[Flaw]:
    metres = FIRST + np.cumsum(rng.uniform(0.6, 1.4, n) * spacing)
    return [lump(rng, float(m), born) for m in metres]


def _scenario(name: str, seed: int, flaws: list[Flaw], speed: float = 75.0, **more: object) -> Scenario:
    last = max(f.metre for f in flaws)
    duration = (last + 10.0 - START) / (speed / 60.0)
    points = (SpeedPoint(0.0, speed),)
    scenario = Scenario(name, seed, duration, speed, points, flaws=tuple(flaws), counter_start=START)
    return replace(scenario, **more)  # type: ignore[arg-type]


def _polling(**options: object) -> Polling:
    return Polling(tags=BIG_BARS, **options)  # type: ignore[arg-type]


def drops_on_lumps(seed: int, n: int = 60) -> Case:
    """A drop inside or across every lump, as high as drops get."""
    rng = generator(seed, "drops on lumps")
    flaws = _lumps(rng, n)
    for one in list(flaws):
        wet = drop(rng, one.metre + float(rng.uniform(-0.5, 0.5)) * one.length)
        flaws.append(replace(wet, height=float(rng.uniform(0.05, 0.4))))
    return _scenario("drops on lumps", seed, flaws), _polling()


def strings_of_drops(seed: int, n: int = 60) -> Case:
    """Two to six drops within 0.3 m, beside lumps and alone."""
    rng = generator(seed, "strings")
    flaws = _lumps(rng, n)
    for one in list(flaws):
        middle = one.metre + float(rng.choice([0.0, 3.0]))
        flaws += [drop(rng, middle + float(m)) for m in rng.uniform(-0.15, 0.15, int(rng.integers(2, 7)))]
    return _scenario("strings of drops", seed, flaws), _polling()


def failing_wipe(seed: int, n: int = 60) -> Case:
    """The wipe fails over minutes, in the middle of lumps."""
    rng = generator(seed, "wipe")
    flaws = _lumps(rng, n)
    low, high = flaws[n // 3].metre, flaws[2 * n // 3].metre
    flaws += drops_between(rng, low, high, 60.0)
    scenario = _scenario("failing wipe", seed, flaws)
    metres_a_second = scenario.speed / 60.0
    begin, end = (low - START - 10.0) / metres_a_second, (high - START) / metres_a_second
    return replace(scenario, wipe_failures=(WipeFailure(begin, end, 0.0),)), _polling()


def hot_gauge_comes_and_goes(seed: int, n: int = 60) -> Case:
    """Outages and freezes of the hot gauge, a few seconds each."""
    rng = generator(seed, "hot gauge")
    flaws = _lumps(rng, n)
    flaws += drops_between(rng, FIRST, flaws[-1].metre, 15.0)
    scenario = _scenario("hot gauge comes and goes", seed, flaws)
    times = np.arange(8.0, scenario.duration, 17.0)
    outages = tuple(
        Outage("hot-gauge", str(rng.choice(["freeze", "bad"])), float(t), float(t + rng.uniform(0.05, 8.0)))  # type: ignore[arg-type]
        for t in times
    )
    return replace(scenario, outages=outages), _polling()


def ramps(seed: int, n: int = 70) -> Case:
    """0 to 250 m/min and back, again and again."""
    rng = generator(seed, "ramps")
    flaws = _lumps(rng, n)
    flaws += drops_between(rng, FIRST, flaws[-1].metre, 15.0)
    length = flaws[n - 1].metre + 80.0 - START
    points, at, metre, speed = [SpeedPoint(0.0, 60.0)], 0.0, 0.0, 60.0
    while metre < length:
        target, ramp = float(rng.choice([20.0, 60.0, 80.0, 150.0, 250.0])), float(rng.uniform(5.0, 20.0))
        at += ramp
        metre += (speed + target) / 2 / 60 * ramp
        points.append(SpeedPoint(at, target))
        speed = target
        hold = float(rng.uniform(2.0, 10.0))
        at += hold
        metre += speed / 60 * hold
        points.append(SpeedPoint(at, speed))
    scenario = _scenario("ramps", seed, flaws)
    return replace(scenario, speeds=tuple(points), duration=at), _polling()


def drip_at_the_die(seed: int, n: int = 50) -> Case:
    """Lumps at one spacing, made at the die: both gauges see them."""
    rng = generator(seed, "drip")
    flaws = [replace(lump(rng, FIRST + 1.9 * i), height=0.12, width=360.0, length=0.012) for i in range(n)]
    flaws += drops_between(rng, FIRST, flaws[-1].metre, 10.0)
    return _scenario("drip at the die", seed, flaws), _polling()


def born_late_and_recurring(seed: int, n: int = 30) -> Case:
    """Lumps at one spacing, born after the hot gauge: drops at first, then reclassified."""
    rng = generator(seed, "late")
    flaws = recurring(FIRST, 1.571, n)
    flaws += drops_between(rng, FIRST, flaws[-1].metre, 3.0)
    return _scenario("born late, recurring", seed, flaws), _polling()


def rough_polling(seed: int, n: int = 60) -> Case:
    """Jittered and skipped polls, lost answers."""
    rng = generator(seed, "rough")
    flaws = _lumps(rng, n)
    flaws += drops_between(rng, FIRST, flaws[-1].metre, 15.0)
    return _scenario("rough polling", seed, flaws), _polling(jitter=0.004, skipped=0.03, lost=0.01)


def counter_faults(seed: int, n: int = 60) -> Case:
    """The counter is zeroed, set and stands while cable is between the gauges."""
    rng = generator(seed, "counter")
    flaws = _lumps(rng, n)
    flaws += drops_between(rng, FIRST, flaws[-1].metre, 15.0)
    scenario = _scenario("counter faults", seed, flaws)
    times = np.arange(20.0, scenario.duration, 60.0)
    kinds = ("zero", "jump")
    faults = tuple(CounterFault(kinds[i % 2], float(t), amount=float(rng.uniform(20, 300))) for i, t in enumerate(times))  # type: ignore[arg-type]
    return replace(scenario, counter_faults=faults), _polling()


CASES: dict[str, Callable[..., Case]] = {
    function.__name__: function
    for function in (
        drops_on_lumps,
        strings_of_drops,
        failing_wipe,
        hot_gauge_comes_and_goes,
        ramps,
        drip_at_the_die,
        born_late_and_recurring,
        rough_polling,
        counter_faults,
    )
}
