"""What the direct face reads from: one Modbus request again and again, and the nodes of the PLC."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby, pairwise

import numpy as np

from metrepost.readings import BAD, GOOD, Input, Reading

from .line_file import Register
from .motion import Floats
from .noise import generator
from .registers import Devices, Flags

MAX_GAP = 8
"""Registers that nobody asked for and that one request may span."""
PLC_SCAN = 0.1
"""Seconds between two scans of the PLC."""


@dataclass(frozen=True)
class Polling:
    """How the line is read.

    `tags` None reads all of the line file. `polls` replaces the poll interval (s) of single tags. `jitter` (s, standard
    deviation) moves polls about their schedule; `skipped` is the share of polls not made (the hold is longer then), `lost` the
    share whose answer is lost (the registers are reset all the same). `round_trip` is (least, mean excess) in s. Stations in
    `dead` answer every poll with nothing.
    """

    tags: frozenset[str] | None = None
    polls: dict[str, float] = field(default_factory=dict)
    jitter: float = 0.0
    skipped: float = 0.0
    lost: float = 0.0
    round_trip: tuple[float, float] = (0.0008, 0.0004)
    dead: frozenset[str] = frozenset()

    def witness(self) -> str:
        """How the hot gauge can bear witness: ``peak-hold``, ``instantaneous`` or ``dead``."""
        wanted = self.tags
        if "hot-gauge" in self.dead or (wanted is not None and not any(t.startswith("hot-gauge.") for t in wanted)):
            return "dead"
        return "peak-hold" if wanted is None or "hot-gauge.x_max" in wanted else "instantaneous"


def requests_of(registers: list[Register]) -> list[list[Register]]:
    """Registers that are asked for together."""
    groups: list[list[Register]] = []
    for _, same in groupby(
        sorted(registers, key=lambda r: (r.endpoint, r.poll, r.table, r.register)), key=lambda r: (r.endpoint, r.poll, r.table)
    ):
        group: list[Register] = []
        for register in same:
            if group and register.register - (group[-1].register + group[-1].words) > MAX_GAP:
                groups.append(group)
                group = []
            group.append(register)
        groups.append(group)
    return groups


class Request:
    """One Modbus request, made again and again."""

    def __init__(self, registers: list[Register], number: int, devices: Devices, polling: Polling, start: float) -> None:
        self._registers = registers
        self._tags = [r.tag for r in registers]
        self._poll = registers[0].poll
        self._endpoint = registers[0].endpoint
        self._devices = devices
        self._polling = polling
        self._start = start
        self._number = number
        self._latest = -1.0
        scenario = devices.line.scenario
        self._rng = generator(scenario.seed, "polls", number)
        # requests of one device follow one another, devices run side by side
        self._phase = 0.0002 + 0.0015 * (number % 6)
        self._downs = [o for o in scenario.outages if o.what == "down" and o.name == self._endpoint]
        self._down_before = False

    def between(self, low: float, high: float) -> tuple[Floats, list[Input]]:
        """Arrival times and readings of the polls due in ``[low, high)``."""
        first, last = math.ceil(low / self._poll - 1e-9), math.ceil(high / self._poll - 1e-9)
        due: Floats = np.arange(first, last, dtype=np.float64) * self._poll
        if not len(due):
            return np.empty(0), []
        asked: Floats = due + self._phase
        if self._polling.jitter:
            moved = np.clip(self._rng.normal(0.0, self._polling.jitter, len(due)), -0.45 * self._poll, 0.45 * self._poll)
            asked = np.maximum(asked + moved, 0.0)
        if self._polling.skipped:
            asked = asked[self._rng.random(len(asked)) >= self._polling.skipped]
        asked = np.maximum.accumulate(np.maximum(asked, self._latest))
        least, excess = self._polling.round_trip
        trip = least + self._rng.exponential(excess, len(asked))
        # a device works on one request at a time, and takes its values somewhere within the round trip
        taken = asked + trip * self._rng.uniform(0.3, 0.7, len(asked))
        answered = self._rng.random(len(asked)) >= self._polling.lost
        if not len(asked):
            return asked, []
        self._latest = float((asked + trip)[-1])
        down = self._is_down(asked)
        arrivals: list[Floats] = []
        inputs: list[Input] = []
        for is_down, part in _runs(down):
            if is_down:
                self._down_before = True
                self._lose(self._tags, asked[part] + trip[part], "not connected", arrivals, inputs)
            else:
                if self._down_before:
                    self._down_before = False
                    for station in {tag.partition(".")[0] for tag in self._tags}:
                        self._devices.restart(station, float(taken[part][0]) - 0.001)
                self._serve(asked[part], trip[part], taken[part], answered[part], arrivals, inputs)
        return np.concatenate(arrivals), inputs

    def _is_down(self, asked: Floats) -> Flags:
        down = np.zeros(len(asked), dtype=np.bool_)
        for outage in self._downs:
            down |= (asked >= outage.at) & (asked < outage.until)
        return down

    def _lose(self, tags: list[str], at: Floats, reason: str, arrivals: list[Floats], inputs: list[Input]) -> None:
        for tag in tags:
            arrivals.append(at)
            inputs += [Reading(tag, t, math.nan, BAD, reason) for t in (at + self._start).tolist()]

    def _serve(
        self, asked: Floats, trip: Floats, taken: Floats, answered: Flags, arrivals: list[Floats], inputs: list[Input]
    ) -> None:
        dead = [t for t in self._tags if t.partition(".")[0] in self._polling.dead]
        live = [r for r in self._registers if r.tag not in dead]
        arrived = asked + trip
        self._lose(dead, arrived, "no answer", arrivals, inputs)
        values = self._devices.read([r.tag for r in live], taken, answered)
        middle, doubt = asked + trip / 2 + self._start, (trip / 2).tolist()
        whole = bool(answered.all())
        for register in live:
            column = values[register.tag]
            low, high = register.valid
            times = (middle - register.latency).tolist()
            tag = register.tag
            if whole and (not math.isfinite(low) or (float(column.min()) >= low and float(column.max()) <= high)):
                inputs += [Reading(tag, t, v, GOOD, "", u) for t, v, u in zip(times, column.tolist(), doubt, strict=True)]
            else:
                for t, v, u, came, at in zip(times, column.tolist(), doubt, answered.tolist(), arrived.tolist(), strict=True):
                    if not came:
                        inputs.append(Reading(tag, at + self._start, math.nan, BAD, "timeout"))
                    elif low <= v <= high:
                        inputs.append(Reading(tag, t, v, GOOD, "", u))
                    else:
                        inputs.append(Reading(tag, t, v, BAD, "range", u))
            arrivals.append(arrived)


def _runs(flags: Flags) -> Iterator[tuple[bool, slice]]:
    """Stretches of equal flags."""
    edges = np.flatnonzero(np.diff(flags.astype(np.int8))) + 1
    bounds = [0, *edges.tolist(), len(flags)]
    for low, high in pairwise(bounds):
        yield bool(flags[low]), slice(low, high)


class Plc:
    """All OPC UA nodes: scanned every 100 ms, told on change, at the next publish."""

    def __init__(self, tags: list[str], devices: Devices, publish: float, start: float) -> None:
        self._tags = tags
        self._devices = devices
        self._publish = publish
        self._start = start
        self._last: dict[str, float] = {}

    def between(self, low: float, high: float) -> tuple[Floats, list[Input]]:
        """Arrival times and readings of the scans in ``[low, high)``."""
        scans: Floats = (
            np.arange(math.ceil(low / PLC_SCAN - 1e-9), math.ceil(high / PLC_SCAN - 1e-9), dtype=np.float64) * PLC_SCAN + 0.013
        )
        if not len(scans):
            return np.empty(0), []
        values = self._devices.read(self._tags, scans)
        sent = np.ceil(scans / self._publish) * self._publish + 0.002
        arrivals: list[Floats] = []
        inputs: list[Input] = []
        for tag in self._tags:
            column = values[tag]
            before = np.concatenate(([self._last.get(tag, math.nan)], column[:-1]))
            changed = np.flatnonzero(column != before)
            self._last[tag] = float(column[-1])
            arrivals.append(sent[changed])
            times = (scans[changed] + self._start).tolist()
            inputs += [Reading(tag, t, v, GOOD, "", 0.0) for t, v in zip(times, column[changed].tolist(), strict=True)]
        return (np.concatenate(arrivals) if arrivals else np.empty(0)), inputs
