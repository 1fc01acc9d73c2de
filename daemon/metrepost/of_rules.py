"""What the rules of a line ask of the rest of the core: where somebody looks, through which tags, and which gauges are a pair."""

from collections.abc import Collection, Iterator, Sequence

from .line.plan import LinePlan
from .line.shrink import ShrinkLearner
from .readings import Hold
from .rules.contract import Rule


def _reads(plan: LinePlan, rules: Sequence[Rule]) -> Iterator[str]:
    return (tag for rule in rules for tag in rule.settings.tags() if tag in plan.tags)


def stations(plan: LinePlan, rules: Sequence[Rule]) -> dict[str, str]:
    """By rule the station in front of which it decides: that of the first tag it reads."""
    return {rule.name: plan.tags[tag].station for rule in rules for tag in rule.settings.tags()[:1] if tag in plan.tags}


def looked_at(plan: LinePlan, rules: Sequence[Rule]) -> list[str]:
    """Stations that rules look at."""
    return sorted({plan.tags[tag].station for tag in _reads(plan, rules)})


def polled(plan: LinePlan, rules: Sequence[Rule], held: Collection[str]) -> dict[str, str]:
    """The tags, with their stations, through which rules look in the end; `held` ones are reported on change and left out."""
    inputs = {item.tag: item.of for item in plan.computed}
    found: dict[str, str] = {}
    todo = list(_reads(plan, rules))
    known = set(todo)
    while todo:
        tag = todo.pop()
        if tag in inputs:
            new = [one for one in inputs[tag] if one not in known and one in plan.tags]
            known.update(new)
            todo.extend(new)
        elif tag not in held:
            found[tag] = plan.tags[tag].station
    return found


def baselines(plan: LinePlan, rules: Sequence[Rule]) -> dict[str, float]:
    """The shortest baseline window of the rules that look at each station, metres."""
    windows: dict[str, float] = {}
    for rule in rules:
        window = getattr(rule.settings, "baseline", None)
        if isinstance(window, float):
            for tag in _reads(plan, [rule]):
                station = plan.tags[tag].station
                windows[station] = min(window, windows.get(station, window))
    return windows


def paired_gauges(plan: LinePlan, rules: Sequence[Rule]) -> dict[tuple[str, str], ShrinkLearner]:
    """Learners for tags of one name and unit at two stations, one of which a rule names as carrier: (cold tag, hot tag)."""
    pairs: dict[tuple[str, str], ShrinkLearner] = {}
    for rule in rules:
        wet = getattr(rule.settings, "wet", None)
        if wet is None:
            continue
        distance = plan.stations[wet.station].position - plan.stations[wet.carried_by].position
        for name, tag in plan.tags.items():
            hot = f"{wet.carried_by}.{tag.local_name}"
            if tag.station == wet.station and hot in plan.tags and tag.hold in (Hold.INSTANT, Hold.MEAN):
                pairs[name, hot] = ShrinkLearner(distance)
    return pairs
