"""From a loaded line to a core that runs: rules with their gates, alarms with their texts, rollups."""

from collections.abc import Iterable, Mapping

from .alarms.load import LoadMeter, LoadSettings
from .alarms.machine import AlarmBook
from .alarms.record import AlarmPlan
from .configuration.plan import LoadedLine
from .configuration.site import PlanSite
from .core import Core
from .endpoints.plan import OpcUaEndpoint
from .line.builtin import built_in
from .line.plan import LinePlan
from .rollups.buckets import UNCUT, RollupBook
from .rules.blind import BlindWatch
from .rules.contract import LimitText, RuleSettings
from .rules.engine import Engine, RunningRule
from .rules.gate import gate


def assemble(loaded: LoadedLine, keep: Mapping[str, RunningRule] | None = None) -> Core:
    """A fresh core for a loaded line (rules hold state, so every call makes new ones, but for those in `keep`)."""
    plan = loaded.plan
    keep = keep or {}
    made = {r.rule.name: r for r in running_rules(plan, [rule for rule in loaded.rules if rule[0] not in keep])}
    engine = Engine(keep.get(name) or made[name] for name, _ in loaded.rules)
    alarms = AlarmBook(alarm_plans(loaded.rules, tuple(e.name for e in loaded.endpoints)))
    # values that come on change stand until the next one
    held = frozenset(
        p.tag for e in loaded.endpoints if isinstance(e, OpcUaEndpoint) and e.mode == "subscribe" for p in e.points
    )
    uncut = UNCUT if plan.take_up is not None and plan.take_up.cut else 0  # without cuts there are no reels
    rollups = RollupBook(plan.rollups, plan.tags, uncut=uncut, held=held)
    return Core(plan, engine, alarms, rollups, LoadMeter(LoadSettings()), held=held)


def running_rules(plan: LinePlan, rules: Iterable[tuple[str, RuleSettings]]) -> list[RunningRule]:
    """Build each rule with its gate and `blind`."""
    site = PlanSite(plan)
    running: list[RunningRule] = []
    for name, settings in rules:
        # what a rule reads itself: a blind witness is the matter of the witness's own rule
        own: tuple[str, ...] | str = getattr(settings, "reads", settings.tags())
        own = (own,) if isinstance(own, str) else own
        blind = None
        if settings.blind is not None:
            blind = BlindWatch(settings.blind.after, {tag: plan.tags[tag] for tag in own})
        rule = settings.build(name, site)
        running.append(RunningRule(rule, rule.gate if rule.gate is not None else gate(settings, site), blind))
    return running


def alarm_plans(rules: Iterable[tuple[str, RuleSettings]], endpoints: tuple[str, ...]) -> list[AlarmPlan]:
    """Every alarm of the line: each limit of each rule, `blind`, and the built-in ones."""
    plans: list[AlarmPlan] = []
    for name, settings in rules:
        limits: dict[str, LimitText] = dict(settings.limits())
        if settings.blind is not None:
            limits["blind"] = settings.blind
        for limit, text in limits.items():
            plans.append(
                AlarmPlan(
                    alarm=f"{name}.{limit}",
                    rule=name,
                    limit=limit,
                    class_=settings.class_,
                    priority=text.priority,
                    latch=settings.latch,
                    trial=settings.trial,
                    because_of=settings.because_of,
                    group=settings.group or "",
                    cause=text.cause,
                    consequence=text.consequence,
                    response=text.response,
                    respond_within="" if text.respond_within is None else str(text.respond_within),
                )
            )
    for built in built_in(endpoints):
        plans.append(
            AlarmPlan(
                alarm=built.alarm,
                rule=built.rule,
                limit=built.limit,
                class_=built.class_,
                priority=built.priority,
                cause=built.cause,
                consequence=built.consequence,
                response=built.response,
            )
        )
    return plans
