"""Runs one scenario through the core and leaves truth.jsonl and events.jsonl, as a daemon and a simulator would."""

from pathlib import Path

import msgspec

from metrepost.assembly import assemble
from metrepost.configuration.load import load_line
from metrepost.configuration.plan import LoadedLine
from metrepost.configuration.shipped import shipped_config
from metrepost.events import Event
from metrepost.publish.cloudevents import envelope
from metrepost_sim.direct import BIG_BARS, BIG_BARS_INSTANT, DirectLine, Polling
from metrepost_sim.scenario import Scenario

WITNESSES = ("peak-hold", "instantaneous", "dead")
EPOCH = "barsbarsbars"


def bars_line() -> LoadedLine:
    """The shipped demonstration line."""
    return load_line(shipped_config() / "core-3.toml")


def with_rules(line: LoadedLine, *, witness: str) -> LoadedLine:
    """Only the flaw rules of both gauges; an instantaneous witness reads x and y instead of the peak-hold registers."""
    rules = []
    for name, settings in line.rules:
        if settings.kind != "flaw" or settings.direction != "lump":
            continue
        if witness == "instantaneous" and settings.witness is not None:
            told = settings.witness.model_copy(update={"reads": ("hot-gauge.x", "hot-gauge.y")})
            settings = settings.model_copy(update={"witness": told})
        if settings.reads[0].startswith("hot-gauge") and witness == "instantaneous":
            settings = settings.model_copy(update={"reads": ("hot-gauge.x", "hot-gauge.y")})
        rules.append((name, settings.model_copy(update={"blind": None})))
    return msgspec.structs.replace(line, rules=tuple(rules))


def polling(witness: str, **options: object) -> Polling:
    """How the line is read for a kind of witness."""
    tags = BIG_BARS_INSTANT if witness == "instantaneous" else BIG_BARS
    dead = frozenset({"hot-gauge"}) if witness == "dead" else frozenset[str]()
    return Polling(tags=tags, dead=dead, **options)  # type: ignore[arg-type]


def run_scenario(scenario: Scenario, poll: Polling, line: LoadedLine, folder: Path) -> tuple[Path, Path, int]:
    """Feed the scenario to a fresh core; the paths of truth and events, and how many readings there were."""
    core = assemble(line)
    sim = DirectLine(scenario, poll)
    folder.mkdir(parents=True, exist_ok=True)
    events, number = folder / "events.jsonl", 0
    with events.open("wb") as out:
        for item in sim:
            for told in core.feed(item):
                if isinstance(told, Event):
                    number += 1
                    out.write(envelope(told, "event", EPOCH, number, line.plan.source) + b"\n")
    truth = folder / "truth.jsonl"
    sim.truth.write(truth)
    return truth, events, sim.readings
