"""The demonstration line in short, and a canned half minute of it, for the board and the view."""

import math
from collections.abc import Iterator

from metrepost.commands.board import LineFacts
from metrepost.events import (
    SEVERITY,
    AlarmEvent,
    AlarmState,
    CutEvent,
    DropEvent,
    Event,
    FlawEvent,
    ReelState,
    ReelSummary,
    SparkEvent,
    StretchEvent,
)
from metrepost.line.plan import LinePlan, Product, ProductPlan, Station, TakeUpPlan, Toleranced
from metrepost.readings import BAD, GOOD, Measured, Quality, Tag
from metrepost.readings.moment import rfc3339

T0 = 1_800_000_000.0  # 2027-01-15T08:00:00Z
DIE0 = 12_400.0  # cable metre at the die at T0
SPEED = 2.0
LUMP = 12_336.0
POSITIONS = {
    "bare-gauge": -10.0,
    "hot-gauge": 1.5,
    "trough": 25.0,
    "capacitance-gauge": 48.0,
    "wipe": 55.5,
    "cold-gauge": 61.5,
    "capstan": 66.0,
    "spark-tester": 70.0,
    "accumulator": 76.0,
    "take-up": 84.0,
}
WATER = "water: hot gauge saw 0.4 µm rise over 100 % of the piece"


def plan() -> LinePlan:
    """The demonstration line, as far as a board looks at it."""
    tags = ["bare-gauge.diameter", "hot-gauge.diameter", "cold-gauge.diameter"]
    return LinePlan(
        plant="northmere",
        area="extrusion",
        name="core-3",
        stations={name: Station(name, at, 0.001 if "gauge" in name else 0.0) for name, at in POSITIONS.items()},
        tags={name: Tag(name, name.partition(".")[0], "mm", "mm") for name in tags},
        product=ProductPlan({"k75-480": Product("K75-480", {"dielectric": Toleranced(4.80, 0.05, "mm")})}, present="k75-480"),
        take_up=TakeUpPlan(position=84.0),
    )


def facts(at: float = 0.0, **changes: object) -> LineFacts:
    """The line `at` seconds after T0, running at 120 m/min with 2 m in the accumulator."""
    die = DIE0 + SPEED * at
    fields = {
        "time": T0 + at,
        "speed": SPEED,
        "state": "producing",
        "product": "K75-480",
        "reel": "17",
        "metre_at_die": die,
        "metre_at_take_up": die - 86.0,
        "endpoints": {"gauges": True, "drives": True, "plc": True},
        "broker": "connected",
        **changes,
    }
    return LineFacts(**fields)  # type: ignore[arg-type]


def diameter(station: str, metre: float, value: float, quality: Quality = GOOD) -> Measured:
    """A diameter at a metre."""
    return Measured(f"{station}.diameter", T0, value, quality, "", metre, metre, metre, 0.05, quality < BAD, SPEED)


def cable(upto: float, since: float = -70.0) -> Iterator[Measured]:
    """What both gauges have seen from `since` to `upto` seconds: screw surge, and a lump at metre 12336."""
    step = 0.05
    for n in range(int((upto - since) / step)):
        at = since + n * step
        die = DIE0 + SPEED * at
        for station, target in (("hot-gauge", 4.912), ("cold-gauge", 4.80)):
            metre = die - POSITIONS[station]
            value = target + 0.006 * math.sin(metre / 7.0) + (0.09 if abs(metre - LUMP) < 0.06 else 0.0)
            if station == "cold-gauge" and abs(metre - 12_330.0) < 0.06:
                value += 0.05  # a drop: only the cold gauge sees it
            yield diameter(station, metre, value)


def state(alarm: str, name: str = "unacknowledged", **changes: object) -> AlarmState:
    """The present state of an alarm."""
    rule, _, limit = alarm.partition(".")
    priority = str(changes.get("priority", "high"))
    fields = {
        "class_": "product",
        "priority": priority,
        "severity": SEVERITY[priority],
        "active": name in ("unacknowledged", "acknowledged"),
        "since": rfc3339(T0),
        "value": 4.89,
        "bound": 4.85,
        "unit": "mm",
        "metre": LUMP,
        **changes,
    }
    return AlarmState(alarm=alarm, rule=rule, limit=limit, state=name, **fields)  # type: ignore[arg-type]


def alarm_event(alarm: str, transition: str = "raised") -> Event:
    """A transition of an alarm at metre 12336."""
    rule, _, limit = alarm.partition(".")
    data = AlarmEvent(
        alarm=alarm,
        rule=rule,
        limit=limit,
        class_="product",
        priority="high",
        severity=700,
        transition=transition,  # type: ignore[arg-type]
        state="unacknowledged",
        previous="normal",
        metre=LUMP,
        value=4.89,
        bound=4.85,
        unit="mm",
        response="Scrap from here",
    )
    return Event(T0, data)


def drop(metre: float = 12_330.0) -> Event:
    """A drop that the hot gauge did not see."""
    data = DropEvent(
        rule="cold-lump", station="cold-gauge", height=0.11, limit=0.06, unit="mm", length_low=0.01, length_high=0.04,
        decided=rfc3339(T0), explanation=WATER, metre=metre,
    )  # fmt: skip
    return Event(T0, data)


def flaw(metre: float = LUMP, verdict: str = "lump") -> Event:
    """A flaw that alarmed."""
    data = FlawEvent(
        rule="cold-lump", station="cold-gauge", direction="neck" if verdict == "neck" else "lump", verdict=verdict,  # type: ignore[arg-type]
        alarmed=True, height=0.09, limit=0.06, unit="mm", length_low=0.06, length_high=0.14, decided=rfc3339(T0),
        explanation="hot gauge saw 92 µm at the same metre", metre=metre,
    )  # fmt: skip
    return Event(T0, data)


def spark(metre: float = 12_326.0) -> Event:
    """One spark fault."""
    data = SparkEvent(station="spark-tester", tag="faults", faults=1, decided=rfc3339(T0), start=metre - 0.5, end=metre + 0.5)
    return Event(T0, data)


def cut(metre: float = 12_300.0) -> Event:
    """A cut at the take-up."""
    return Event(T0, CutEvent(reel="16", next_reel="17", decided=rfc3339(T0), metre=metre))


def scrap(start: float, end: float) -> Event:
    """A scrap stretch."""
    return Event(T0, StretchEvent(mark="scrap", cause="stop", decided=rfc3339(T0), start=start, end=end))


def reel() -> ReelState:
    """The reel in make."""
    listed = [{"metre": 12_310.0}]
    summary = ReelSummary(
        reel="17", product="K75-480", start=12_300.0, length=14.0, uncertainty=0.4, closed=False, sparks=listed
    )
    return ReelState("current", summary)


def story() -> list[object]:
    """Everything at once, in the order in which the daemon would put it out."""
    return [
        reel(), cut(), drop(), spark(), flaw(), alarm_event("cold-lump.lump"),
        state("cold-lump.lump", "returned_unacknowledged", response="Scrap metre 12336 to 12337 at the take-up"),
        state("cold-diameter.high", response="Lower the foam screw by 0.5 rpm; watch the hot gauge", metre=12_338.4, value=4.861),
        state("trough-water.high", "acknowledged", priority="medium", class_="equipment", metre=None, value=61.24, bound=60.0,
              unit="degC", acknowledged_by="mara", response="Open the cooling valve"),
    ]  # fmt: skip
