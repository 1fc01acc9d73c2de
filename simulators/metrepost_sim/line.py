"""The whole simulated line: one scenario, every signal of it as a pure function of time."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from .cable import Cable
from .counter import LengthCounter
from .flaws import FlawTable
from .gauge import Gauge
from .line_file import LineFile, LineFileError, read_line_file
from .motion import Floats, Motion
from .noise import generator, key, white
from .process import Process
from .scenario import Scenario

VOLTAGE = 3.5
"""Test voltage, kV (a setting of the simulation only)."""
FIRST_COUNT = 17
"""What the fault counter of the spark tester shows at the start."""


class CoreLine:
    """A scenario on a line file. Times are seconds since the start; the line is full of cable at every moment.

    Raises LineFileError when the line file has a tag that no part of the simulated line can make.
    """

    def __init__(self, scenario: Scenario, file: LineFile | None = None) -> None:
        self.file = file or read_line_file()
        self.scenario = scenario
        prelude = scenario.speed if scenario.prelude_speed is None else scenario.prelude_speed
        self.motion = Motion(scenario.speeds, scenario.counter_start, scenario.duration, prelude)
        self.counter = LengthCounter(self.motion, scenario.counter_faults, self.file.wraps_at, self.file.resolution)
        self.process = Process(scenario, self.motion)
        self.cable = Cable(scenario, self.motion, self.process, self.file)
        self.flaws = FlawTable(scenario.flaws)
        self.gauges = {
            name: Gauge(scenario, self.motion, self.cable, self.flaws, self.file.place(name), self.file.reference)
            for name in ("hot-gauge", "cold-gauge")
        }
        self._holes, self._holes_at, self._counted = self._spark_faults()
        self._signals: dict[str, Callable[[Floats], Floats]] = {
            "bare-gauge.x": self._bare("x"),
            "bare-gauge.y": self._bare("y"),
            "capacitance-gauge.capacitance": self._capacitance,
            "capstan.length": self.counter.register,
            "capstan.speed": self._speed,
            "spark-tester.faults": self._faults,
            "spark-tester.voltage": self._voltage,
            "spark-tester.voltage_on": self._voltage_on,
        }
        made = set(self._signals) | self.process.tags
        for gauge in self.gauges:
            made |= {f"{gauge}.{local}" for local in ("x", "y", "x_max", "y_max", "x_min", "y_min", "x_mean", "y_mean")}
        if unknown := self.file.tags - made:
            raise LineFileError(
                f"the simulated line cannot make {', '.join(sorted(unknown))}; it can make {', '.join(sorted(made))}"
            )

    def offset(self, station: str) -> float:
        """What to add to the counter to have the metre in front of a station."""
        return self.file.reference - self.file.place(station).position

    def metre(self, station: str, t: Floats) -> Floats:
        """Metre in front of a station at `t`."""
        return self.motion.counter(t) + self.offset(station)

    def value(self, tag: str, t: Floats) -> Floats:
        """What a tag without memory shows for the moments `t` (latency already taken off), in its unit."""
        signal = self._signals.get(tag)
        return signal(t) if signal is not None else self.process.value(tag, t)

    def _noise(self, tag: str, t: Floats) -> Floats:
        return white(key(self.scenario.seed, tag), t)

    def _bare(self, axis: str) -> Callable[[Floats], Floats]:
        tag, sign = f"bare-gauge.{axis}", 1.0 if axis == "x" else -1.0

        def show(t: Floats) -> Floats:
            return self.cable.conductor(self.metre("bare-gauge", t)) + sign * 0.0003 + 0.0004 * self._noise(tag, t)

        return show

    def _capacitance(self, t: Floats) -> Floats:
        value = self.cable.capacitance(self.metre("capacitance-gauge", t))
        return value + 0.01 * self._noise("capacitance-gauge.capacitance", t)

    def _speed(self, t: Floats) -> Floats:
        speed = self.motion.speed(t) * 60.0
        return np.where(speed > 0.2, np.maximum(speed + 0.03 * self._noise("capstan.speed", t), 0.0), speed)

    def _voltage_on(self, t: Floats) -> Floats:
        on = np.ones_like(t)
        for span in self.scenario.voltage_off:
            on = np.where((t >= span.at) & (t < span.until), 0.0, on)
        return on

    def _voltage(self, t: Floats) -> Floats:
        return np.round(self._voltage_on(t) * (VOLTAGE + 0.01 * self._noise("spark-tester.voltage", t)), 2)

    def _spark_faults(self) -> tuple[Floats, Floats, Floats]:
        """Metre of each pinhole, the counter value at which it breaks down in the electrode, and the counted ones sorted."""
        holes: Floats = np.array(sorted(p.metre for p in self.scenario.pinholes), dtype=np.float64)
        electrode = self.file.place("spark-tester").aperture
        where = generator(self.scenario.seed, "electrode").uniform(-0.5, 0.5, len(holes)) * electrode
        at = holes - self.offset("spark-tester") + where
        counted = self._voltage_on(self.motion.time_at(at)) > 0.5
        return holes, at, np.sort(at[counted])

    def _faults(self, t: Floats) -> Floats:
        # faults from before time 0 are part of what the counter shows at the start
        before = np.searchsorted(self._counted, self.scenario.counter_start, side="right")
        return FIRST_COUNT + np.searchsorted(self._counted, self.motion.counter(t), side="right") - before.astype(np.float64)

    def happenings(self, until: float) -> Iterator[dict[str, Any]]:
        """Truth rows of everything but lumps, necks and drops, that had happened by `until` (s)."""
        motion, scenario = self.motion, self.scenario
        now = float(motion.counter(np.array([until]))[0])

        def metre_at(station: str, t: float) -> float:
            return round(float(self.metre(station, np.array([t]))[0]), 4)

        volts = self._voltage_on(motion.time_at(self._holes_at))
        for hole, at, on in zip(self._holes.tolist(), self._holes_at.tolist(), volts.tolist(), strict=True):
            if hole <= now + self.offset("plc"):
                passed = scenario.counter_start < at <= now
                yield {"kind": "pinhole", "metre": round(hole, 4), "passed": passed, "counted": passed and on > 0.5}
        for fault in scenario.conductor:
            half = fault.length / 2
            if fault.metre - half <= now + self.offset("bare-gauge"):
                row = {"kind": "conductor", "metre": round(fault.metre, 4), "height": fault.amount, "length": fault.length}
                yield {**row, "from": round(fault.metre - half, 4), "to": round(fault.metre + half, 4)}
        for n, change in enumerate(sorted(scenario.reel_changes, key=lambda c: c.at)):
            if change.at <= until:
                content = float(self.process.accumulator(np.array([change.at]))[0])
                metre = metre_at("capstan", change.at) - (self.file.take_up - self.file.reference) - content
                reel = scenario.first_reel + n
                yield {
                    "kind": "cut",
                    "time": change.at,
                    "metre": round(metre, 4),
                    "reel": str(reel),
                    "next_reel": str(reel + 1),
                }
        for stop in scenario.stops:
            if stop.at <= until:
                ends = metre_at("plc", stop.at), metre_at("plc", min(stop.until, until))
                row = {"kind": "stop", "time": stop.at, "until": stop.until, "emergency": stop.emergency}
                yield {**row, "metre": ends[1], "from": ends[0], "to": ends[1]}
        for product in scenario.products:
            if product.at <= until:
                metre = metre_at("plc", product.at)
                row = {"kind": "product", "time": product.at, "recipe": product.recipe, "metre": metre}
                yield {**row, "from": metre, "to": metre + product.over}
        for failure in scenario.wipe_failures:
            if failure.at <= until:
                ends = metre_at("wipe", failure.at), metre_at("wipe", min(failure.until, until))
                yield {
                    "kind": "wipe",
                    "time": failure.at,
                    "metre": ends[0],
                    "from": ends[0],
                    "to": ends[1],
                    "rate": failure.rate,
                }
        for counter in scenario.counter_faults:
            if counter.at <= until:
                row = {"kind": "counter", "time": counter.at, "what": counter.what, "amount": counter.amount}
                yield {**row, "metre": metre_at("capstan", counter.at)}
        for outage in scenario.outages:
            if outage.at <= until:
                yield {"kind": "outage", "time": outage.at, "until": outage.until, "name": outage.name, "what": outage.what}
        for forced in scenario.forced:
            if forced.at <= until:
                row = {"kind": "tag", "time": forced.at, "until": forced.until, "name": forced.tag, "over": forced.over}
                yield {**row, "what": "silent" if forced.value is None else "forced", "amount": forced.value}
