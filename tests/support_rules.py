"""Fakes for rules: a line to build them on, a view to run them in, streams to feed them, and the battery every kind must pass."""

import copy
import json
import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Literal

import msgspec

from metrepost.line.plan import Product, Registration, Station, Toleranced
from metrepost.readings import BAD, GOOD, Hold, Measured, Quality, Tag
from metrepost.rules.contract import Condition, Finding, Rule, RuleSettings, State
from metrepost.rules.engine import RunningRule
from metrepost.rules.gate import gate
from metrepost.rules.kinds import KINDS

CONDUCTOR = Toleranced(1.02, 0.005, "mm")
OHM = Toleranced(75.0, None, "ohm")
K480 = Product("K75-480", {"dielectric": Toleranced(4.80, 0.05, "mm"), "impedance": OHM, "conductor": CONDUCTOR})
K470 = Product("K75-470", {"dielectric": Toleranced(4.70, 0.05, "mm"), "impedance": OHM, "conductor": CONDUCTOR})

TAGS = {
    tag.name: tag
    for tag in (
        Tag("cold-gauge.diameter", "cold-gauge", "mm", "mm", interval=0.02),
        Tag("cold-gauge.x", "cold-gauge", "mm", "mm", interval=0.02),
        Tag("cold-gauge.y", "cold-gauge", "mm", "mm", interval=0.02),
        Tag("cold-gauge.mean", "cold-gauge", "mm", "mm", hold=Hold.MEAN, since_read=True, interval=0.02),
        Tag("cold-gauge.x_max", "cold-gauge", "mm", "mm", hold=Hold.MAX, since_read=True, interval=0.02),
        Tag("hot-gauge.diameter", "hot-gauge", "mm", "mm", interval=0.02),
        Tag("foam-extruder.screw", "foam-extruder", "rpm", "/min", interval=0.1),
        Tag("pay-off.left", "plc", "m", "m", interval=1.0),
        Tag("spark-tester.voltage", "spark-tester", "kV", "kV", interval=0.1),
        Tag("trough.water", "trough", "degC", "Cel", interval=0.05),
        Tag("trough.setpoint", "trough", "degC", "Cel", interval=0.05),
        Tag("foam-extruder.pressure", "foam-extruder", "bar", "bar", interval=0.05),
        Tag("spark-tester.faults", "spark-tester", "count", "{count}", interval=0.1),
        Tag("spark-tester.voltage_on", "spark-tester", interval=0.1),
        Tag("plc.word", "plc", interval=0.1),
    )
}
STATIONS = {
    "cold-gauge": Station("cold-gauge", 61.5, 0.001),
    "hot-gauge": Station("hot-gauge", 1.5, 0.001),
    "trough": Station("trough", 25.0),
    "foam-extruder": Station("foam-extruder", 0.0),
    "spark-tester": Station("spark-tester", 70.0, 0.1),
    "plc": Station("plc", 0.0),
}


class FakeSite:
    """A line to build rules on; what does not fit is kept in `failures` as ``(key, wrong, allowed)``."""

    def __init__(self, *, has_axis: bool = True, products: Mapping[str, Product] | None = None) -> None:
        self.tags: Mapping[str, Tag] = TAGS
        self.stations: Mapping[str, Station] = STATIONS
        self.products: Mapping[str, Product] = products if products is not None else {"k75-480": K480, "k75-470": K470}
        self.registration = Registration()
        self.has_axis = has_axis
        self.max_speed = 5.0
        self.failures: list[tuple[str, str, tuple[str, ...]]] = []

    def fail(self, key: str, wrong: str, allowed: Sequence[str] = ()) -> None:
        self.failures.append((key, wrong, tuple(allowed)))


def settings_of(table: Mapping[str, Any]) -> RuleSettings:
    """The settings of a rule's table as TOML gives it."""
    return KINDS[table["kind"]].model_validate_json(json.dumps(table))


def rule_of(table: Mapping[str, Any], *, has_axis: bool = True) -> Rule:
    """A running rule; every failure is an assertion."""
    site = FakeSite(has_axis=has_axis)
    rule = settings_of(table).build("rule", site)
    assert site.failures == []
    return rule


def running(table: Mapping[str, Any], name: str = "rule") -> RunningRule:
    """A rule with its gate, for an engine."""
    site, settings = FakeSite(), settings_of(table)
    rule = settings.build(name, site)
    assert site.failures == []
    return RunningRule(rule, rule.gate if rule.gate is not None else gate(settings, site))


def refusals(table: Mapping[str, Any], **site: Any) -> dict[str, str]:
    """What building the rule complains of, by key."""
    fake = FakeSite(**site)
    settings_of(table).build("rule", fake)
    return {key: wrong for key, wrong, _ in fake.failures}


class FakeView:
    """What a rule may ask. Set the attributes; `metres` overrides the one `metre` for single stations."""

    def __init__(self) -> None:
        self.now = 1_800_000_000.0
        self.metre = 0.0
        self.speed = 80.0 / 60.0
        self.state: State = "producing"
        self.product = K480
        self.product_from: list[tuple[float, Product]] = []
        self.lasts: dict[str, Measured] = {}
        self.alarms: set[str] = set()
        self.reel = ""

    def metre_now(self, station: str) -> float:
        return self.metre

    def state_at(self, metre: float) -> State:
        return self.state

    def product_at(self, metre: float) -> Product:
        found = self.product
        for start, product in self.product_from:
            if metre >= start:
                found = product
        return found

    def last(self, tag: str) -> Measured | None:
        return self.lasts.get(tag)

    def broken_between(self, first: float, second: float) -> bool:
        return False

    def active(self, alarm: str) -> bool:
        return alarm in self.alarms

    def reel_at(self, metre: float) -> str:
        return self.reel


class Step(msgspec.Struct, frozen=True):
    """One input of a rule, with the moment and metre it comes at."""

    how: Literal["judge", "pass", "tick", "hear"]
    now: float
    metre: float
    m: Measured | None = None
    event: Any = None


def measured(
    tag: str, value: float, time: float, metre: float, *, quality: Quality = GOOD, reason: str = "", piece: float = 0.001
) -> Measured:
    """A reading of an instant tag, or of a holding one that looked back on `piece` metres."""
    half = piece / 2.0
    return Measured(tag, time, value, quality, reason, metre, metre - half, metre + half, 0.05, quality is not BAD, 80.0 / 60.0)


T0 = 1_800_000_000.0


def stream(
    tag: str,
    values: Iterable[float | None],
    *,
    every: float = 0.02,
    step: float = 0.025,
    start: float = 0.0,
    ticks: bool = False,
    piece: float = 0.001,
) -> list[Step]:
    """Readings `every` seconds and `step` metres; None makes a bad one. With `ticks` a tick follows each reading."""
    steps: list[Step] = []
    for i, value in enumerate(values):
        now, metre = T0 + start + (i + 1) * every, (i + 1) * step + start * step / every
        if value is None:
            steps.append(Step("pass", now, metre, measured(tag, math.nan, now, metre, quality=BAD, reason="timeout")))
        else:
            steps.append(Step("judge", now, metre, measured(tag, value, now, metre, piece=piece)))
        if ticks:
            steps.append(Step("tick", now, metre))
    return steps


def silence(seconds: float, after: Sequence[Step], speed: float = 1.25) -> list[Step]:
    """Ticks every 100 ms and no reading, going on where `after` ended."""
    now, metre = (after[-1].now, after[-1].metre) if after else (T0, 0.0)
    return [Step("tick", now + 0.1 * (i + 1), metre + 0.1 * speed * (i + 1)) for i in range(round(seconds * 10))]


def feed(rule: Rule, steps: Iterable[Step], view: FakeView | None = None) -> list[Finding]:
    """Everything the rule found."""
    view = view if view is not None else FakeView()
    found: list[Finding] = []
    for each in steps:
        found += take(rule, each, view)
    return found


def take(rule: Rule, each: Step, view: FakeView) -> list[Finding]:
    """Feed one step."""
    view.now, view.metre = each.now, each.metre
    if each.m is not None:
        view.lasts[each.m.tag] = each.m
        return rule.judge(each.m, view) if each.how == "judge" else rule.pass_over(each.m, view)
    return rule.tick(view) if each.how == "tick" else rule.heard(each.event, view)


def conditions(found: Iterable[Finding]) -> list[Condition]:
    """The conditions among findings."""
    return [finding for finding in found if isinstance(finding, Condition)]


def shape(found: Iterable[Finding]) -> list[tuple[str, bool]]:
    """Limit and truth of each condition, in order."""
    return [(condition.limit, condition.active) for condition in conditions(found)]


def _shift(steps: Sequence[Step], time: float, metre: float) -> list[Step]:
    def moved(each: Step) -> Step:
        m = each.m
        if m is not None:
            m = msgspec.structs.replace(m, time=m.time + time, metre=m.metre + metre, start=m.start + metre, end=m.end + metre)
        return msgspec.structs.replace(each, now=each.now + time, metre=each.metre + metre, m=m)

    return [moved(each) for each in steps]


def check_rule(
    build: Callable[[], Rule],
    steps: Sequence[Step],
    *,
    view: Callable[[], FakeView] = FakeView,
    bad_is_an_answer: bool = False,
    event_driven: bool = False,
) -> None:
    """The contract battery. `steps` must raise something and let it return.

    `bad_is_an_answer`: the rule may find something in a bad reading (an expression over qualities). `event_driven`: it reads no tags.
    """
    whole = feed(build(), steps, view())
    _is_sane(build(), whole)
    assert any(active for _, active in shape(whole)), "the stream must raise something"
    assert any(not active for _, active in shape(whole)), "and let it return"
    assert feed(build(), steps, view()) == whole, "same input, same findings"
    _restarts_anywhere(build, steps, view, whole)
    _survives(build, steps, view)
    _is_bounded(build, steps, view)
    if not event_driven:
        _bad_holds(build, steps, view, bad_is_an_answer=bad_is_an_answer)
        _passing_over_ends(build, steps, view)


def _is_sane(rule: Rule, found: Sequence[Finding]) -> None:
    limits, active = rule.settings.limits(), dict[str, bool]()
    for condition in conditions(found):
        assert condition.limit in limits
        assert condition.explanation
        assert math.isfinite(condition.onset_time)
        if condition.start is not None and condition.end is not None:
            assert condition.start <= condition.end
        if not condition.pulse:
            assert active.get(condition.limit, False) is not condition.active, f"{condition.limit} was told twice"
            active[condition.limit] = condition.active
    msgspec.json.encode(found)


def _restarts_anywhere(
    build: Callable[[], Rule], steps: Sequence[Step], view: Callable[[], FakeView], whole: Sequence[Finding]
) -> None:
    for cut in sorted({1, len(steps) // 7, len(steps) // 3, len(steps) // 2, 4 * len(steps) // 5, len(steps) - 1}):
        world, first, second = view(), build(), build()
        found = feed(first, steps[:cut], world)
        second.restore(json.loads(json.dumps(first.snapshot(), allow_nan=False)))
        assert found + feed(second, steps[cut:], world) == whole, f"a restart after input {cut} changed the answer"
    older = build()
    older.restore({"key of another version": 1})
    assert feed(older, steps, view()) == whole
    fresh = build()
    fresh.restore({})
    assert feed(fresh, steps, view()) == whole


def _survives(build: Callable[[], Rule], steps: Sequence[Step], view: Callable[[], FakeView]) -> None:
    dice = random.Random(7)
    shuffled = list(steps)
    dice.shuffle(shuffled)
    gappy = [each for each in steps if dice.random() > 0.4]
    odd: list[Step] = []
    for each in steps:
        if each.m is not None and each.how == "judge" and dice.random() < 0.3:
            value = dice.choice([math.nan, math.inf, -math.inf, 1e300, -1e300, 0.5, -1.0])
            metre = dice.choice([each.m.metre, each.m.metre, math.nan, -1e9])
            odd.append(msgspec.structs.replace(each, m=msgspec.structs.replace(each.m, value=value, metre=metre)))
        odd.append(each)
    twice = [each for each in steps for _ in range(2)]
    backwards = list(reversed(steps))
    for variant in (shuffled, gappy, odd, twice, backwards):
        rule = build()
        found = feed(rule, variant, view())
        _is_sane(rule, found)
        json.dumps(rule.snapshot(), allow_nan=False)


def _is_bounded(build: Callable[[], Rule], steps: Sequence[Step], view: Callable[[], FakeView]) -> None:
    length = steps[-1].metre - steps[0].metre + 0.1
    lasts = steps[-1].now - steps[0].now + 0.1
    for metres in (length, -length / 2, 0.0):  # the line runs, creeps back over and over, stands
        rule, world, sizes = build(), view(), []
        for lap in range(9):
            run = _shift(steps, lap * lasts, lap * metres)
            if metres == 0.0:
                run = [msgspec.structs.replace(each, metre=1.0, m=_standing(each.m)) for each in run]
            feed(rule, run, world)
            sizes.append(len(json.dumps(rule.snapshot())))
        assert max(sizes[6:]) <= 1.4 * max(sizes[1:4]) + 400, f"state grows: {sizes}"


def _standing(m: Measured | None) -> Measured | None:
    return msgspec.structs.replace(m, metre=1.0, start=0.9995, end=1.0005) if m is not None else None


def _bad_holds(
    build: Callable[[], Rule], steps: Sequence[Step], view: Callable[[], FakeView], *, bad_is_an_answer: bool
) -> None:
    tags = build().settings.tags()
    rule, world = build(), view()
    for i, each in enumerate(steps):
        take(rule, each, world)
        if i % 5:
            continue
        for tag in tags:
            probe = build()
            probe.restore(copy.deepcopy(rule.snapshot()))
            for value in (math.nan, 1e9, each.m.value if each.m is not None else 0.0):
                bad = measured(tag, value, each.now, each.metre, quality=BAD, reason="timeout")
                found = take(probe, Step("pass", each.now, each.metre, bad), copy.copy(world))
                assert bad_is_an_answer or conditions(found) == [], "a bad reading holds the state"


def _passing_over_ends(build: Callable[[], Rule], steps: Sequence[Step], view: Callable[[], FakeView]) -> None:
    rule, world = build(), view()
    active: set[str] = set()
    for each in steps:
        for condition in conditions(take(rule, each, world)):
            if condition.pulse:
                continue  # over as soon as it is told
            (active.add if condition.active else active.discard)(condition.limit)
        if active:
            break
    for tag in rule.settings.tags():
        m = measured(tag, 1.0, world.now, world.metre)
        for condition in conditions(take(rule, Step("pass", world.now, world.metre, m), world)):
            assert not condition.active
            active.discard(condition.limit)
    assert not active, "a good reading outside `when` ends what is active"
