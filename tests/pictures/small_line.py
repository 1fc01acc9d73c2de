"""A small line on which the rules of the pictures really run: the shipped assembly and engine, readings made up."""

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import msgspec

from metrepost.assembly import running_rules
from metrepost.events import EventData
from metrepost.line.plan import AxisPlan, LinePlan, Product, ProductPlan, Station, Toleranced
from metrepost.readings import BAD, GOOD, Hold, Measured, Tag
from metrepost.rules.contract import Condition, Finding, State
from metrepost.rules.engine import Engine
from support_rules import FakeView, settings_of

T0 = 1_800_000_000.0
SPEED = 80.0 / 60.0
"""Line speed where a picture has no other, m/s."""
READ = 0.02 * SPEED
"""Cable between two reads of a fast gauge, m."""

_PRODUCT = Product("K75-480", {"dielectric": Toleranced(4.80, 0.05, "mm"), "conductor": Toleranced(1.02, 0.005, "mm")})
_STATIONS = {
    "hot-gauge": Station("hot-gauge", 1.5, 0.001),
    "trough": Station("trough", 25.0),
    "cold-gauge": Station("cold-gauge", 61.5, 0.001),
    "spark-tester": Station("spark-tester", 70.0, 0.1),
    "foam-extruder": Station("foam-extruder", 0.0),
    "plc": Station("plc", 0.0),
}
_TAGS = (
    Tag("hot-gauge.diameter", "hot-gauge", "mm", "mm", interval=0.02),
    Tag("hot-gauge.x_max", "hot-gauge", "mm", "mm", Hold.MAX, since_read=True, interval=0.02),
    Tag("cold-gauge.diameter", "cold-gauge", "mm", "mm", interval=0.02),
    Tag("cold-gauge.x_max", "cold-gauge", "mm", "mm", Hold.MAX, since_read=True, interval=0.02),
    Tag("trough.water", "trough", "degC", "Cel", interval=1.0),
    Tag("trough.setpoint", "trough", "degC", "Cel", interval=1.0),
    Tag("foam-extruder.pressure", "foam-extruder", "bar", "bar", interval=0.5),
    Tag("foam-extruder.nitrogen", "foam-extruder", "g/min", "g/min", interval=0.5),
    Tag("spark-tester.faults", "spark-tester", "count", "{count}", interval=0.1),
    Tag("spark-tester.voltage", "spark-tester", "kV", "kV", interval=0.1),
    Tag("spark-tester.voltage_on", "spark-tester", interval=0.1),
    Tag("pay-off.left", "plc", "m", "m", interval=1.0),
)
PLAN = LinePlan(
    plant="northmere",
    area="-",
    name="core-3",
    stations=_STATIONS,
    tags={tag.name: tag for tag in _TAGS},
    product=ProductPlan({"k75-480": _PRODUCT}, present="k75-480"),
    axis=AxisPlan(counter="plc.length", reference=66.0),
)


class Row(msgspec.Struct, frozen=True):
    """A reading (or, without a tag, a tick) at a time in seconds and a metre. NaN is a reading of bad quality."""

    time: float
    metre: float
    tag: str = ""
    value: float = 0.0
    piece: float = 0.001
    speed: float = SPEED
    event: EventData | None = None


class Said(msgspec.Struct, frozen=True):
    """What a rule found, and when and where it was decided."""

    rule: str
    finding: Finding
    time: float
    metre: float


class Spell(msgspec.Struct, frozen=True):
    """An alarm from onset to return, on the picture's x axis. What has not come yet is infinite."""

    limit: str
    onset: float
    decided: float
    clear: float = math.inf
    returned: float = math.inf
    raised: Condition | None = None


class LineView(FakeView):
    """A view whose line states lie along the cable: `(from metre, state)`, in order. The die is `ahead` metres ahead of the gauge."""

    def __init__(self, states: Sequence[tuple[float, State]] = (), ahead: float = 0.0) -> None:
        super().__init__()
        self.product = _PRODUCT
        self.states = list(states)
        self.ahead = ahead

    def state_at(self, metre: float) -> State:
        """The state in which that metre was at the die."""
        found = self.state
        for start, state in self.states:
            if metre >= start:
                found = state
        return found


def run(rules: Mapping[str, Mapping[str, Any]], rows: Iterable[Row], view: LineView | None = None,
        each: Callable[[Engine, Row], None] | None = None) -> list[Said]:  # fmt: skip
    """Feed rows to an engine with these rules, given as their TOML tables. `each` may look on after every row."""
    view = view if view is not None else LineView()
    settings = [(name, settings_of(json.loads(json.dumps(table)))) for name, table in rules.items()]
    engine = Engine(running_rules(PLAN, settings))
    said: list[Said] = []
    for row in rows:
        view.now, view.metre, view.speed = T0 + row.time, row.metre, row.speed
        view.state = view.state_at(row.metre + view.ahead)
        if row.event is not None:
            found = engine.heard(row.event, view)
        elif not row.tag:
            found = engine.tick(view)
        else:
            m = _measured(row)
            view.lasts[row.tag] = m
            found = engine.reading(m, view)
        said.extend(Said(f.rule, f.finding, row.time, row.metre) for f in found)
        if each is not None:
            each(engine, row)
    return said


def _measured(row: Row) -> Measured:
    bad = row.value != row.value
    aperture = 0.0005
    start = row.metre - row.piece - aperture
    quality, reason = (BAD, "timeout") if bad else (GOOD, "")
    return Measured(
        row.tag, T0 + row.time, row.value, quality, reason, row.metre, start, row.metre + aperture, 0.01, not bad, row.speed
    )


def spells(said: Iterable[Said], rule: str, limit: str, by: str = "metre") -> list[Spell]:
    """The alarms of one limit, by metre or by time."""
    out: list[Spell] = []
    for s in said:
        c = s.finding
        if s.rule != rule or not isinstance(c, Condition) or c.limit != limit:
            continue
        began = c.onset_time - T0 if by == "time" or c.metre is None else c.metre
        now = s.time if by == "time" else s.metre
        if c.active:
            out.append(Spell(limit, began, now, raised=c))
        else:
            out[-1] = msgspec.structs.replace(out[-1], clear=began, returned=now)
    return out
