"""Runs the rules: hands each reading to the rules that read it, asks their gates, watches `blind`, passes events on to who listens."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import msgspec

from ..events import EventData
from ..readings import BAD, Act, Measured
from .blind import BlindWatch
from .contract import Condition, Finding, Rule, Told, View
from .explain import reasons
from .gate import Gate, Pass
from .hold_off import HoldOffWatch

DEPTH = 4
"""How often an event may cause another event before the chain is cut."""


class Found(msgspec.Struct, frozen=True):
    """A finding and the rule it is of."""

    rule: str
    finding: Finding


class RunningRule(msgspec.Struct):
    """A rule with its gate (which a rule that asks it itself brings along) and what watches that it is not blind."""

    rule: Rule
    gate: Gate
    blind: BlindWatch | None = None


class Engine:
    """All rules of a line, in the order of the files."""

    def __init__(self, rules: Iterable[RunningRule]) -> None:
        self._rules = list(rules)
        self._by_tag: dict[str, list[RunningRule]] = {}
        self._by_kind: dict[str, list[RunningRule]] = {}
        self._held_off: dict[str, list[HoldOffWatch]] = {}
        self._told: set[str] = set()
        self._settings = {running.rule.name: running.rule.settings for running in self._rules}
        for running in self._rules:
            for tag in dict.fromkeys(running.rule.settings.tags()):
                self._by_tag.setdefault(tag, []).append(running)
            if running.gate.hold_off is not None:
                self._held_off.setdefault(running.gate.hold_off.tag, []).append(running.gate.hold_off)
            for kind in running.rule.listens:
                self._by_kind.setdefault(kind, []).append(running)

    @property
    def rules(self) -> Sequence[RunningRule]:
        """The running rules."""
        return self._rules

    def reading(self, m: Measured, view: View) -> list[Found]:
        """Hand a reading to its rules. A good or uncertain one is judged where `when` holds."""
        for watch in self._held_off.get(m.tag, ()):
            watch.reading(m)
        running_here = self._by_tag.get(m.tag)
        if running_here is None:
            return _NONE
        out: list[Found] = []
        for running in running_here:
            rule = running.rule
            if running.blind is not None:
                running.blind.reading(m)
            may = running.gate.ask(m.metre, view)
            if m.quality is not BAD and may is Pass.JUDGE:
                found = rule.judge(m, view)
            elif m.quality is not BAD and may is Pass.HOLD:
                found = rule.hold(m, view)
            else:
                found = rule.pass_over(m, view)
            if found:
                self._collect(rule, found, view, out, 0)
        return out

    def explained(self, rule: str, condition: Condition, view: View) -> Condition:
        """The condition with its explanation as data. Built-in alarms have none but their words."""
        settings = self._settings.get(rule)
        if settings is None:
            return condition
        return msgspec.structs.replace(condition, data={**reasons(settings, condition, view), **condition.data})

    def tick(self, view: View) -> list[Found]:
        """Line time went on."""
        out: list[Found] = []
        for running in self._rules:
            rule = running.rule
            if running.blind is not None:
                self._blind(rule, running.blind.tick(view, running.gate.holds), out)
            found = rule.tick(view)
            if found:
                self._collect(rule, found, view, out, 0)
        return out

    def unwatched(self) -> None:
        """Nobody looked for a while: a gap for every rule."""
        for running in self._rules:
            running.rule.unwatched()

    def heard(self, event: EventData, view: View) -> list[Found]:
        """An event from outside the rules (a cut, a stretch) for the rules that listen to its kind."""
        out: list[Found] = []
        self._pass_on(event, view, out, 0)
        return out

    def act(self, act: Act, view: View) -> list[Found]:
        """An act that concerns rules."""
        out: list[Found] = []
        for running in self._rules:
            found = running.rule.act(act, view)
            if found:
                self._collect(running.rule, found, view, out, 0)
        return out

    def _blind(self, rule: Rule, found: Iterable[Condition], out: list[Found]) -> None:
        for condition in found:
            self._told.add(rule.name)
            out.append(Found(rule.name, condition))

    def _collect(self, rule: Rule, found: Iterable[Finding], view: View, out: list[Found], depth: int) -> None:
        self._told.add(rule.name)
        for finding in found:
            out.append(Found(rule.name, finding))
            if isinstance(finding, Told):
                self._pass_on(finding.data, view, out, depth)

    def _pass_on(self, event: EventData, view: View, out: list[Found], depth: int) -> None:
        if depth >= DEPTH:
            return
        for running in self._by_kind.get(event.kind, ()):
            self._told.add(running.rule.name)  # it has counted the event, though it may say nothing
            found = running.rule.heard(event, view)
            if found:
                self._collect(running.rule, found, view, out, depth + 1)

    def snapshot(self) -> dict[str, Any]:
        """State of every rule by name."""
        return {r.rule.name: self._state(r, r.rule.snapshot()) for r in self._rules}

    @staticmethod
    def _state(running: RunningRule, state: dict[str, Any]) -> dict[str, Any]:
        return {
            "rule": state,
            "blind": running.blind.snapshot() if running.blind is not None else None,
            "hold_off": running.gate.hold_off.snapshot() if running.gate.hold_off is not None else None,
        }

    def told(self) -> dict[str, Any]:
        """States (see `Rule.told_state`) of the rules that told or heard something since `kept`, for `restore`."""
        if not self._told:
            return {}
        return {r.rule.name: self._state(r, r.rule.told_state()) for r in self._rules if r.rule.name in self._told}

    def kept(self) -> None:
        """What `told` gave is in the journal."""
        self._told.clear()

    def undecided(self) -> dict[str, float]:
        """Station: the metre from which on something is under way that no rule has told yet."""
        out: dict[str, float] = {}
        for running in self._rules:
            found = running.rule.undecided()
            if found is not None:
                station, metre = found
                out[station] = min(metre, out.get(station, metre))
        return out

    def restore(self, state: Mapping[str, Any]) -> list[str]:
        """Take back a snapshot; the names of rules whose state could not be used (they start anew)."""
        refused: list[str] = []
        for running in self._rules:
            saved = state.get(running.rule.name)
            if saved is None:
                continue
            try:
                running.rule.restore(saved["rule"])
                if running.blind is not None and saved["blind"] is not None:
                    running.blind.restore(saved["blind"])
                if running.gate.hold_off is not None and saved.get("hold_off"):
                    running.gate.hold_off.restore(saved["hold_off"])
            except (KeyError, TypeError, ValueError, AttributeError, IndexError):
                refused.append(running.rule.name)
        return refused


_NONE: list[Found] = []
