"""What each tag of a line file shows on the simulated line: its role. Told by the line file itself first, by names last. Pure."""

import math
import re
from collections.abc import Iterator, Mapping
from typing import Literal, get_args

from metrepost.configuration.plan import LoadedLine
from metrepost.endpoints.plan import ModbusPoint
from metrepost.line.plan import PRODUCT, LinePlan
from metrepost.readings import Tag
from metrepost.readings.units import Quantity, same_dimension
from metrepost.rules.band import BandSettings
from metrepost.rules.bit import BitSettings
from metrepost.rules.contract import RuleSettings
from metrepost.rules.count import CountSettings
from metrepost.rules.flaw import FlawSettings
from metrepost.rules.setpoint import ProductKey
from metrepost.rules.untested import UntestedSettings

Role = Literal[
    "length",
    "speed",
    "cut",
    "reel",
    "content",
    "recipe",
    "threading",
    "emergency-stop",
    "core",
    "conductor",
    "capacitance",
    "spark-faults",
    "spark-voltage",
    "spark-on",
    "water",
    "nitrogen",
    "air",
    "melt",
    "preheat",
    "pressure",
    "screw",
    "bit",
    "noise",
]
"""What a tag may show; ``noise`` is a level that wanders a little, ``bit`` one that stands still."""
ROLES: tuple[str, ...] = get_args(Role)

_BY_WORD: tuple[tuple[str, str, Role], ...] = (
    # a unit of the dimension, words in the tag's name, role; the first that fits
    ("degC", r"preheat|pre-heat", "preheat"),
    ("degC", r"trough|water|bath|cool", "water"),
    ("degC", r"melt|extru|barrel|zone|die|head|mass", "melt"),
    ("bar", r"nitrogen|n2|gas|inject", "nitrogen"),
    ("bar", r"wipe|air|blow|knife", "air"),
    ("bar", r"melt|extru|mass|head", "pressure"),
    ("rpm", r"", "screw"),
    ("kV", r"spark|test", "spark-voltage"),
    ("m", r"accumul|dancer|content", "content"),
)
_NOT_A_DIAMETER = re.compile(r"oval|ecc|concentr|thick|wall|position|offset|gap|deviation|sd|sigma")


def roles_of(line: LoadedLine) -> dict[str, Role]:
    """The role of every tag that is read from an endpoint."""
    plan = line.plan
    found: dict[str, Role] = dict(_declared(plan))
    for _, settings in line.rules:
        for tag, role in _of_rule(settings):
            found.setdefault(tag, role)
    for computed in plan.computed:
        if computed.function in ("mean", "difference") and found.get(computed.tag) in ("core", "conductor"):
            for tag in computed.of:
                found.setdefault(tag, found[computed.tag])
    sources = [point.tag for endpoint in line.endpoints for point in endpoint.points]
    bits = _bits(line)
    for tag in sources:
        if tag not in found:
            found[tag] = "bit" if tag in bits else _by_unit(plan.tags[tag], plan)
    return {tag: found[tag] for tag in sources}


def _declared(plan: LinePlan) -> Iterator[tuple[str, Role]]:
    axis, state, take_up = plan.axis, plan.state, plan.take_up
    if axis is not None:
        yield axis.counter, "length"
        yield axis.speed, "speed"
    if take_up is not None:
        yield take_up.cut, "cut"
        yield take_up.reel, "reel"
        yield take_up.accumulator, "content"
    yield plan.product.recipe, "recipe"
    yield state.threading, "threading"
    yield state.emergency_stop, "emergency-stop"


def _of_rule(settings: RuleSettings) -> Iterator[tuple[str, Role]]:
    if isinstance(settings, FlawSettings):
        yield from ((tag, "core") for tag in settings.tags())
    elif isinstance(settings, UntestedSettings):
        yield settings.voltage, "spark-voltage"
        if settings.voltage_on:
            yield settings.voltage_on, "spark-on"
    elif isinstance(settings, CountSettings) and settings.reads and settings.tells == "spark":
        yield settings.reads, "spark-faults"
    elif isinstance(settings, BandSettings) and settings.target:
        key = settings.target.removeprefix(PRODUCT)
        if key in ("dielectric", "conductor") and key != settings.target:
            yield settings.reads, "core" if key == "dielectric" else "conductor"
        elif key == "capacitance":
            yield settings.reads, "capacitance"


def _bits(line: LoadedLine) -> set[str]:
    found = set()
    for endpoint in line.endpoints:
        for point in endpoint.points:
            if not isinstance(point, ModbusPoint):
                continue
            if point.bit is not None or point.type == "bool" or point.table in ("coil", "discrete"):
                found.add(point.tag)
    return found | {s.reads for _, s in line.rules if isinstance(s, BitSettings) and s.bit is None}


def _by_unit(tag: Tag, plan: LinePlan) -> Role:
    unit = tag.unit
    if unit == "count" and re.search(r"spark|pinhole|fault", tag.name):
        return "spark-faults"
    if same_dimension(unit, "pF/m"):
        return "capacitance"
    if same_dimension(unit, "m/min"):
        return "speed"
    for like, words, role in _BY_WORD:
        if same_dimension(unit, like) and unit not in ("", "1", "count") and re.search(words, tag.name):
            return role
    if same_dimension(unit, "m") and not _NOT_A_DIAMETER.search(tag.name):
        role = "conductor" if plan.stations[tag.station].position < 0 else "core"
        size = product_size(plan, role)
        if tag.valid_low < Quantity(size, "mm").to(unit) < tag.valid_high and Quantity(1.0, unit).to("mm") < 100.0:
            return "conductor" if role == "conductor" else "core"
    return "noise"


DEFAULT_CORE = 4.8
"""Diameter (mm) of the core of a product that tells none (a choice)."""
DEFAULT_SHARE = 0.2125
"""Conductor over core of a product that tells only one of them (a choice)."""


def sizes(values: Mapping[str, object]) -> tuple[float, float]:
    """Conductor and core (mm) of the values of a product, with what is missing filled in."""

    def mm(key: str) -> float | None:
        value = values.get(key)
        unit, target = getattr(value, "unit", ""), getattr(value, "target", math.nan)
        return Quantity(target, unit).to("mm") if value is not None and same_dimension(unit, "mm") else None

    core, conductor = mm("dielectric"), mm("conductor")
    if core is None:
        core = DEFAULT_CORE if conductor is None else conductor / DEFAULT_SHARE
    return (conductor if conductor is not None else core * DEFAULT_SHARE), core


def product_size(plan: LinePlan, role: str) -> float:
    """Diameter (mm) of the core or the conductor of the first product."""
    values = next((p.values for p in plan.product.products.values()), {})
    conductor, core = sizes(values)
    return conductor if role == "conductor" else core


def hot_stations(line: LoadedLine, roles: Mapping[str, Role]) -> tuple[str, ...]:
    """Stations that see the core before it has cooled: the witnesses of flaw rules, else the first of several core gauges."""
    plan = line.plan
    gauges = sorted({plan.tags[t].station for t, r in roles.items() if r == "core"}, key=lambda s: plan.stations[s].position)
    witnesses = {
        plan.tags[tag].station
        for _, s in line.rules
        if isinstance(s, FlawSettings) and s.witness is not None
        for tag in s.witness.reads
        if tag in plan.tags
    }
    hot = tuple(g for g in gauges if g in witnesses)
    return hot or tuple(gauges[:1] if len(gauges) > 1 else ())


def allowed_by_rules(line: LoadedLine, product: str = "") -> dict[str, tuple[float, float]]:
    """The range in which no `band` and no `untested` rule of the line raises, by tag, in the tag's unit.

    Values of the product are those of the one named `product`, of the first when there is none of that name.
    """
    plan = line.plan
    products = list(plan.product.products.values())
    values = next((p.values for p in products if p.name == product), products[0].values if products else {})
    found: dict[str, tuple[float, float]] = {}

    def quantity(setpoint: object, unit: str) -> Quantity | None:
        """A setpoint as a quantity; None for what is no constant of this product, or of another dimension."""
        if isinstance(setpoint, str):
            setpoint = ProductKey(setpoint.removeprefix(PRODUCT)) if setpoint.startswith(PRODUCT) else None
        if isinstance(setpoint, ProductKey):
            value = values.get(setpoint.key)
            setpoint = None if value is None else Quantity(value.target, value.unit)
        return setpoint if isinstance(setpoint, Quantity) and same_dimension(setpoint.unit, unit) else None

    def narrow(tag: str, low: float, high: float) -> None:
        before = found.get(tag, (-math.inf, math.inf))
        found[tag] = (max(before[0], low), min(before[1], high))

    for _, s in line.rules:
        if isinstance(s, UntestedSettings) and s.voltage in plan.tags:
            unit = plan.tags[s.voltage].unit
            if (required := quantity(s.required, unit)) is not None:
                narrow(s.voltage, required.to(unit), math.inf)
        if not isinstance(s, BandSettings) or s.reads not in plan.tags:
            continue
        unit = plan.tags[s.reads].unit
        middle, spread = quantity(s.target, unit), quantity(s.tolerance, unit)
        if middle is not None and spread is not None:
            narrow(s.reads, middle.to(unit) - spread.difference_to(unit), middle.to(unit) + spread.difference_to(unit))
        for limit in (s.low_low, s.low):
            if limit is not None and (at := quantity(limit.at, unit)) is not None:
                narrow(s.reads, at.to(unit), math.inf)
        for limit in (s.high, s.high_high):
            if limit is not None and (at := quantity(limit.at, unit)) is not None:
                narrow(s.reads, -math.inf, at.to(unit))
    return found
