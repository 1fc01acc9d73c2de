"""The direct face: core inputs in order of arrival, as the endpoints would hand them over, many times faster than real time.

Modbus registers that lie close together are asked for in one request, requests of a device one after the other; the time of a
reading is mid-way between request and answer less the latency. OPC UA values come on change, at the next publish.
"""

import heapq
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from metrepost.readings import Act, Input, Tick

from .direct_sources import Plc, Polling, Request, requests_of
from .line import CoreLine
from .line_file import LineFile, read_line_file
from .motion import Floats
from .registers import Devices
from .scenario import Scenario
from .truth import Truth

__all__ = ["BIG_BARS", "BIG_BARS_INSTANT", "START", "DirectLine", "Polling"]

START = 1_767_225_600.0
"""Line time at scenario time 0 when nothing else is said: 2026-01-01T00:00:00Z."""
CHUNK = 2.0
"""Seconds worked out at once."""
TICK = 0.1

BIG_BARS = frozenset(
    {"capstan.length", "capstan.speed", "hot-gauge.x_max", "hot-gauge.y_max", "cold-gauge.x_max", "cold-gauge.y_max"}
)
"""Tags enough for judging lumps and drops with a peak-hold witness."""
BIG_BARS_INSTANT = BIG_BARS - {"hot-gauge.x_max", "hot-gauge.y_max"} | {"hot-gauge.x", "hot-gauge.y"}
"""The same with a witness that is read instantaneously."""


class DirectLine:
    """Reads one scenario. Iterate over it once for the inputs; `truth` is complete afterwards.

    `start` is line time (s since 1970) at scenario time 0. `readings` counts what was handed over.
    """

    def __init__(
        self, scenario: Scenario, polling: Polling | None = None, *, start: float = START, file: LineFile | None = None
    ) -> None:
        polling = polling or Polling()
        self.line = CoreLine(scenario, file or read_line_file())
        self.start = start
        self.readings = 0
        self._polling = polling
        tags = polling.tags if polling.tags is not None else self.line.file.tags
        if unknown := tags - self.line.file.tags:
            raise ValueError(f"no such tags in the line file: {', '.join(sorted(unknown))}")
        registers = [replace(r, poll=polling.polls.get(r.tag, r.poll)) for r in self.line.file.registers if r.tag in tags]
        polls = {r.tag: r.poll for r in registers}
        options: dict[str, Any] = {"witness": polling.witness(), "face": "direct"}
        options["poll"] = {t: polls[t] for t in ("cold-gauge.x_max", "cold-gauge.x", "spark-tester.faults") if t in polls}
        self.truth = Truth(self.line, start, options)
        devices = Devices(self.line, self.truth)
        self._sources: list[Request | Plc] = [
            Request(group, n, devices, polling, start) for n, group in enumerate(requests_of(registers))
        ]
        nodes = [n.tag for n in self.line.file.nodes if n.tag in tags]
        if nodes:
            self._sources.append(Plc(nodes, devices, self.line.file.publish, start))

    def __iter__(self) -> Iterator[Input]:
        return self.inputs()

    def inputs(self, duration: float | None = None) -> Iterator[Input]:
        """The inputs of `duration` seconds (the scenario's own when left out), in order of arrival."""
        end = self.line.scenario.duration if duration is None else min(duration, self.line.scenario.duration)
        chunks = math.ceil(end / CHUNK - 1e-9)
        late_at: Floats = np.empty(0)
        late: list[Input] = []
        self.truth.until = 0.0
        acts = self._acts(end)
        for n in range(chunks):
            low, high = n * CHUNK, min((n + 1) * CHUNK, end)
            arrivals, inputs = [late_at], list(late)
            for source in self._sources:
                at, made = source.between(low, high)
                arrivals.append(at)
                inputs += made
            ticks: Floats = np.arange(round(low / TICK) + 1, round(high / TICK) + 1, dtype=np.float64) * TICK
            arrivals.append(ticks)
            inputs += [Tick(self.start + t) for t in ticks.tolist()]
            while acts and acts[0][0] < high:
                moment, act = heapq.heappop(acts)
                arrivals.append(np.array([moment]))
                inputs.append(act)
            when = np.concatenate(arrivals)
            order = np.argsort(when, kind="stable")
            ready = int(np.searchsorted(when[order], high + 1e-9, side="right"))
            self.truth.until = high
            self.readings += sum(map(len, arrivals[1:])) - len(ticks)
            for i in order[:ready].tolist():
                yield inputs[i]
            late_at = when[order[ready:]]
            late = [inputs[i] for i in order[ready:].tolist()]

    def _acts(self, end: float) -> list[tuple[float, Act]]:
        acts = []
        for outage in self.line.scenario.outages:
            if outage.what == "down" and outage.at < end:
                down = Act("endpoint_down", self.start + outage.at, "endpoint", endpoint=outage.name, reason="not connected")
                acts.append((outage.at, down))
                acts.append((outage.until, Act("endpoint_up", self.start + outage.until, "endpoint", endpoint=outage.name)))
        heapq.heapify(acts)
        return acts
