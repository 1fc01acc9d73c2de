"""Random lives of a small line, fed to the whole core, and kept as plain lists for re-computations that import no rules.

A life is a list of `Piece`s. `live` turns it into readings, ticks (every 100 ms of line time), acts and restarts, feeds a core with one
rule, and gives back what went in as `Moment`s, with metres and line state as the line room saw them, and what the alarms told.
"""

import functools
import json
import math
import os
import tempfile
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
from hypothesis import Phase, settings
from hypothesis import strategies as st

from metrepost.assembly import assemble
from metrepost.configuration.load import load_line
from metrepost.configuration.plan import LoadedLine
from metrepost.core import Core
from metrepost.events import AlarmEvent, Event, LineEvent
from metrepost.line.plan import RollupPlan
from metrepost.readings import BAD, GOOD, UNCERTAIN, Act, Measured, Reading, Tick
from support_rules import settings_of

LINE = """\
format = 1

[line]
plant = "northmere"
area = "extrusion"
name = "core-3"
rules = []
producing = { speed_above = "30 m/min", hysteresis = "2 m/min", for = "1.3 m" }

[product]
name = "K75-480"

[length]
counter = "capstan.length"
speed = "capstan.speed"
reference = "capstan"
resolution = "0.01 m"
max_speed = "300 m/min"

[endpoint.plc]
protocol = "modbus-tcp"
address = "127.0.0.1:5020"
poll = "100 ms"

[station.capstan]
position = "5 m"
defaults = { endpoint = "plc", table = "holding" }
[station.capstan.tags]
length = { register = 0, type = "uint32", scale = 0.01, unit = "m" }
speed = { register = 2, scale = 0.01, unit = "m/min" }

[station.gauge]
position = "3 m"
aperture = "100 mm"
defaults = { endpoint = "plc", table = "input" }
[station.gauge.tags]
one = { register = 10 }
two = { register = 11 }

[station.plc]
position = "0 m"
defaults = { endpoint = "plc", table = "input" }
[station.plc.tags]
run = { register = 20 }
set = { register = 21 }

[mqtt]
url = "mqtt://127.0.0.1:1883"
"""
POSITIONS = {"capstan": 5.0, "gauge": 3.0, "plc": 0.0}
APERTURE = 0.1
INTERVAL = 0.1
T0 = 1_800_000_000.0
MANY = int(os.environ.get("METREPOST_EXAMPLES", "0"))
"""Examples per property in a long run; 0: as many as each test says."""


def examples(count: int) -> Any:
    """Hypothesis settings of a property: `count` examples, the same at every run; or METREPOST_EXAMPLES others, not shrunk."""
    phases = [phase for phase in Phase if phase is not Phase.shrink] if MANY else list(Phase)
    return settings(max_examples=MANY or count, deadline=None, report_multiple_bugs=False, derandomize=not MANY, phases=phases)


class Moment(msgspec.Struct):
    """One input as the line saw it. `what`: ``reading``, ``tick``, ``line`` (a change of state at die metre `metre`), ``act``,
    ``restart`` (the daemon was gone for `value` seconds)."""

    what: str
    now: float
    tag: str = ""
    time: float = 0.0
    value: float = math.nan
    quality: str = ""
    metre: float = 0.0
    uncertainty: float = 0.0
    state: str = ""
    speed: float = 0.0
    at: dict[str, float] = {}  # station: metre in front of it now
    act: Act | None = None


class Transition(msgspec.Struct, order=True):
    """One transition of one alarm, as text and numbers."""

    alarm: str
    word: str
    onset: float
    metre: float | None
    decided: float
    decided_metre: float | None = None
    value: float | None = None
    quality: str = "good"
    state: str = ""
    by: str = ""

    def like(self, other: "Transition") -> bool:
        """Whether both say the same: times are told in microseconds, metres come from sums of doubles."""
        return (
            (self.alarm, self.word, self.quality) == (other.alarm, other.word, other.quality)
            and abs(self.onset - other.onset) < 1e-4
            and abs(self.decided - other.decided) < 1e-4
            and _close(self.metre, other.metre)
            and _close(self.decided_metre, other.decided_metre)
            and _close(self.value, other.value)
        )


def _close(a: float | None, b: float | None) -> bool:
    return (a is None and b is None) or (a is not None and b is not None and math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-6))


class Piece(msgspec.Struct, frozen=True):
    """A while of the line's life. `tenths` of a second at `speed` m/min; each tag goes on with its own `says`:
    a list of (value, quality) repeated reading by reading, () for silence."""

    tenths: int
    speed: float
    says: Mapping[str, Sequence[tuple[float, str]]]
    late: float = 0.0
    jump: float = 0.0  # what the counter is set off by at the start, metres
    restart: float = -1.0  # seconds the daemon is gone before it; below 0: it goes on
    acts: Sequence[tuple[int, Act]] = ()  # (tenth, act); its time is put right


QUALITY = {"good": GOOD, "uncertain": UNCERTAIN, "bad": BAD}


@functools.cache
def line() -> LoadedLine:
    """The small line, without rules."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "core-3.toml"
        path.write_text(LINE)
        loaded = load_line(path)
    # rollups cost more than all rules, and no rule looks at them
    return msgspec.structs.replace(loaded, plan=msgspec.structs.replace(loaded.plan, rollups=RollupPlan((), ())))


def with_rules(tables: Mapping[str, Mapping[str, Any]]) -> LoadedLine:
    """The small line with rules given as tables."""
    return msgspec.structs.replace(line(), rules=tuple((name, settings_of(table)) for name, table in tables.items()))


def live(tables: Mapping[str, Mapping[str, Any]], pieces: Sequence[Piece]) -> tuple[list[Moment], list[Transition]]:
    """Let the line live; what went in and every transition that was told."""
    world = World(tables, pieces)
    return world.moments, world.told


class World:
    """A line that lived: `moments` went in, `told` are the transitions, `others` everything else that came out."""

    def __init__(self, tables: Mapping[str, Mapping[str, Any]], pieces: Sequence[Piece]) -> None:
        self.loaded = with_rules(tables)
        self.core: Core = assemble(self.loaded)
        self.moments: list[Moment] = []
        self.told: list[Transition] = []
        self.others: list[Any] = []
        self.tenth = 0
        self.counter = 1000.0
        self.place = 1000.0
        self._line(T0, 0.0)
        for piece in pieces:
            self._live(piece)

    def _live(self, piece: Piece) -> None:
        if piece.restart >= 0.0:
            self._restart(piece.restart, piece.speed)
        self.counter += piece.jump
        for k in range(piece.tenths):
            for at, act in piece.acts:
                if at == k:
                    self._act(act)
            self.tenth += 1
            now = T0 + self.tenth / 10
            moved = piece.speed / 60 * 0.1
            self.counter += moved
            self._line(now - 0.04, piece.speed)
            for n, (tag, says) in enumerate(sorted(piece.says.items())):
                if says:
                    value, quality = says[k % len(says)]
                    self._reading(tag, now - 0.03 + 0.003 * n - piece.late, value, quality)
            self._feed(Tick(now))

    def _line(self, time: float, speed: float) -> None:
        self._feed(Reading("capstan.speed", time, speed))
        self._feed(Reading("capstan.length", time, self.counter))

    def _reading(self, tag: str, time: float, value: float, quality: str) -> None:
        reason = "" if quality == "good" else "timeout"
        self._feed(Reading(tag, time, value if quality != "bad" else math.nan, QUALITY[quality], reason))

    def _act(self, act: Act) -> None:
        now = self.core.now
        until = now + act.until if act.until > 0 else act.until
        self._feed(msgspec.structs.replace(act, time=now, until=until))

    def _restart(self, gone: float, speed: float) -> None:
        saved = json.loads(json.dumps(self.core.snapshot(), allow_nan=False))
        alarms = json.loads(json.dumps(self.core.alarms.snapshot(), allow_nan=False))
        self.moments.append(Moment("restart", self.core.now, value=gone))
        self.core = assemble(self.loaded)
        assert self.core.restore(saved) == []
        assert self.core.alarms.restore(alarms).unreadable == []
        self.tenth += round(gone * 10)
        self._line(T0 + self.tenth / 10 + 0.01, speed)

    def _feed(self, item: Any) -> None:
        out = self.core.feed(item)
        core = self.core
        for told in out:
            if isinstance(told, Event) and isinstance(told.data, LineEvent):
                self._note(Moment("line", core.now, metre=told.data.metre or 0.0, state=told.data.state))
        if isinstance(item, Tick):
            self._note(Moment("tick", core.now))
        elif isinstance(item, Act):
            self._note(Moment("act", core.now, act=item))
        for told in out:
            if isinstance(told, Measured):
                m = told
                self._note(Moment("reading", core.now, m.tag, m.time, m.value, m.quality.word, m.metre, m.uncertainty))
            elif isinstance(told, Event) and isinstance(told.data, AlarmEvent):
                self.told.append(_transition(told.data))
            else:
                self.others.append(told)

    def _note(self, moment: Moment) -> None:
        core = self.core
        moment.at = {station: core.metre_now(station) for station in POSITIONS}
        moment.speed = core.speed
        if moment.what != "line":
            moment.state = core.state
        self.moments.append(moment)


def _transition(e: AlarmEvent) -> Transition:
    onset, decided = _seconds(e.onset), _seconds(e.decided)
    return Transition(e.alarm, e.transition, onset, e.metre, decided, e.decided_metre, e.value, e.quality, e.state, e.by)


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def compare(told: Sequence[Transition], expected: Sequence[Transition]) -> None:
    """The same transitions in the same order, or an assertion that shows both."""
    rules = {each.alarm.partition(".")[0] for each in expected} | {"it"}
    told = [each for each in told if each.alarm.partition(".")[0] in rules]
    same = len(told) == len(expected) and all(a.like(b) for a, b in zip(told, expected, strict=True))
    if not same:
        show = "\n".join(f"  told     {a}" for a in told) + "\n" + "\n".join(f"  expected {b}" for b in expected)
        raise AssertionError(f"streaming and plain re-computation differ:\n{show}")


# ---- what hypothesis draws -------------------------------------------------------------------------------------------

qualities = st.sampled_from(["good"] * 6 + ["uncertain", "bad"])


def says(values: st.SearchStrategy[float]) -> st.SearchStrategy[Sequence[tuple[float, str]]]:
    """What a tag says in a piece: steady, alternating, bad, or nothing at all."""
    one = st.tuples(values, qualities)
    return st.one_of(
        st.lists(one, min_size=1, max_size=1),
        st.lists(one, min_size=2, max_size=5),
        st.just([]),
        st.just([(0.0, "bad")]),
    )


def lives(
    tags: Mapping[str, st.SearchStrategy[float]],
    *,
    acts: st.SearchStrategy[Sequence[tuple[int, Act]]] | None = None,
    most: int = 7,
    restarts: bool = True,
) -> st.SearchStrategy[list[Piece]]:
    """Lives of a line in which the given tags speak."""
    piece = st.builds(
        Piece,
        tenths=st.integers(1, 30),
        speed=st.sampled_from([0.0, 20.0, 60.0, 60.0, 120.0]),
        says=st.fixed_dictionaries({tag: says(values) for tag, values in tags.items()}),
        late=st.sampled_from([0.0, 0.0, 0.0, 0.04]),
        jump=st.sampled_from([0.0] * 8 + [500.0, -200.0, -0.3]),
        restart=st.sampled_from([-1.0] * 6 + [0.0, 8.0]) if restarts else st.just(-1.0),
        acts=acts if acts is not None else st.just(()),
    )
    return st.lists(piece, min_size=2, max_size=most)


class Gated(msgspec.Struct):
    """`when` and `when_now` as text and as plain functions of (state, moments, k)."""

    keys: dict[str, str]
    when: Any = None
    when_now: Any = None


def last_value(moments: Sequence[Moment], k: int, tag: str) -> float | None:
    """The last value of a tag at a moment, None when it is bad or was not heard since a restart."""
    for moment in reversed(moments[: k + 1]):
        if moment.what == "restart":
            return None
        if moment.what == "reading" and moment.tag == tag:
            return None if moment.quality == "bad" else moment.value
    return None


def last_quality(moments: Sequence[Moment], k: int, tag: str) -> str:
    """The last quality of a tag at a moment; ``bad`` when it was not heard since a restart."""
    for moment in reversed(moments[: k + 1]):
        if moment.what == "restart":
            return "bad"
        if moment.what == "reading" and moment.tag == tag:
            return moment.quality
    return "bad"


def _running(state: str, moments: Sequence[Moment], k: int) -> bool | None:
    value = last_value(moments, k, "plc.run")
    return None if value is None else value > 0.5


TEXTS: dict[str, Any] = {
    "producing": lambda state, moments, k: state == "producing",
    "!stopped": lambda state, moments, k: state != "stopped",
    "producing || ramping": lambda state, moments, k: state in ("producing", "ramping"),
    "speed > 30.0": lambda state, moments, k: moments[k].speed * 60 > 30.0,
    'value["plc.run"] > 0.5': _running,
}
gate_texts = st.builds(
    lambda when, now: Gated(
        {k: v for k, v in (("when", when), ("when_now", now)) if v},
        TEXTS.get(when) if when else None,
        TEXTS.get(now) if now else None,
    ),
    st.sampled_from([None, None, "producing", "!stopped", 'value["plc.run"] > 0.5']),
    st.sampled_from([None, None, None, "producing || ramping", "speed > 30.0"]),
)
length_or_time = st.sampled_from([("s", 0.0), ("s", 0.95), ("s", 2.45), ("m", 0.0), ("m", 0.55), ("m", 1.37)])
"""Delays that no tick and no metre hits exactly, as ``(unit, size)``."""


def shown(extent: tuple[str, float]) -> str:
    """An extent as a rule file writes it."""
    return f"{extent[1]} {extent[0]}"


def transitions(alarm: str, rows: Sequence[Any], moments: Sequence[Moment], station: str, **more: Any) -> list[Transition]:
    """The transitions that ``[(word, onset row, decision row), …]`` mean."""
    return [
        Transition(
            alarm,
            word,
            onset.time,
            onset.metre,
            moments[decided.k].now,
            moments[decided.k].at[station],
            decided.value,
            decided.quality,
        )
        for word, onset, decided in rows
    ]
