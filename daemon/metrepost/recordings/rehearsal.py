"""Rehearsal: the very same core, fed from a recording; what it says as CloudEvents, with the alarms and the load figures counted."""

import math
from base64 import b32encode
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime
from hashlib import sha256
from pathlib import Path

import msgspec

from ..alarms.load import AlarmLoad, LoadMeter, LoadSettings
from ..assembly import assemble
from ..configuration.plan import LoadedLine
from ..core import Output
from ..events import AlarmEvent, DropEvent, Event, RollupOut
from ..publish.cloudevents import Stream, envelope
from ..readings import Input, Measured

Sink = Callable[[Stream, bytes], None]


class Raised(msgspec.Struct, frozen=True):
    """One annunciation: where on the cable (m) and when (line time, s, of the decision) an alarm was raised."""

    metre: float | None
    start: float | None
    end: float | None
    uncertainty: float
    onset: str
    decided: float
    value: float | None
    unit: str


class AlarmTally(msgspec.Struct):
    """What became of one alarm in a rehearsal."""

    alarm: str
    class_: str = msgspec.field(name="class")
    priority: str
    trial: bool
    raised: list[Raised] = []


def epoch_of(recording: str, files: Sequence[Path]) -> str:
    """12 characters of a–z2–7 from the hash of a recording and the contents of the line's files: same input, same epoch."""
    hashed = sha256(recording.encode())
    for file in files:
        hashed.update(sha256(file.read_bytes()).digest())
    return b32encode(hashed.digest()).decode().lower()[:12]


class Rehearsal:
    """One line on one recording. `alarms`, `drops` (by rule) and `counts` grow as inputs are fed; nothing is kept of rollups and
    readings, but for how far the tags in `watch` have seen the cable: `seen`, in metres."""

    def __init__(
        self, line: LoadedLine, name: str, epoch: str, sink: Sink | None = None, watch: frozenset[str] = frozenset()
    ) -> None:
        """`name` goes into the source. `sink` gets every event and rollup as CloudEvent bytes."""
        self.line = line
        self.source = f"{line.plan.source}/rehearsal/{name}"
        self.epoch = epoch
        self.alarms: dict[str, AlarmTally] = {}
        self.counts: dict[Stream, int] = {"event": 0, "rollup": 0}
        self._core = assemble(line)
        self._meter = LoadMeter(LoadSettings())
        self._sink = sink
        self._last = 0.0
        self.drops: Counter[str] = Counter()
        self.seen = (math.inf, -math.inf)
        self._watch = watch

    def feed(self, item: Input) -> None:
        """One input through the core."""
        self._last = max(self._last, item.time)
        for output in self._core.feed(item):
            self._take(output)

    def load(self) -> AlarmLoad:
        """Alarm load over rolling windows up to the last input."""
        self._meter.tick(self._last)
        return self._meter.figures(self._last)

    def _take(self, output: Output) -> None:
        if isinstance(output, Event):
            self._number("event", output)
            if isinstance(output.data, AlarmEvent):
                self._alarm(output.data)
            elif isinstance(output.data, DropEvent):
                self.drops[output.data.rule] += 1
        elif isinstance(output, Measured):
            if output.tag in self._watch:
                self.seen = (min(self.seen[0], output.start), max(self.seen[1], output.end))
        elif isinstance(output, RollupOut):
            self._number("rollup", output)

    def _number(self, stream: Stream, item: Event | RollupOut) -> None:
        self.counts[stream] += 1
        if self._sink is not None:
            self._sink(stream, envelope(item, stream, self.epoch, self.counts[stream], self.source))

    def _alarm(self, event: AlarmEvent) -> None:
        at = datetime.fromisoformat(event.decided).timestamp()
        self._meter.tick(at)
        self._meter.note(event, at)
        if event.transition != "raised":
            return
        tally = self.alarms.get(event.alarm)
        if tally is None:
            tally = self.alarms[event.alarm] = AlarmTally(event.alarm, event.class_, event.priority, event.trial)
        tally.raised.append(
            Raised(
                event.metre,
                event.start,
                event.end,
                event.metre_uncertainty or 0.0,
                event.onset,
                at,
                event.value,
                event.unit,
            )
        )
