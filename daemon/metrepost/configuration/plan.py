"""What loading gives: everything the shell wires together, with secrets resolved and kept out of every repr."""

from pathlib import Path
from typing import Any

import msgspec

from ..doors.plan import DoorsPlan
from ..endpoints.plan import Endpoint
from ..line.plan import LinePlan
from ..notify.plan import NotifyPlan, Person
from ..publish.plan import MqttPlan
from ..rules.contract import Rule, RuleSettings
from .secrets import SecretFile
from .site import PlanSite

__all__ = ["LoadedLine", "MqttPlan", "NotifyPlan", "Person", "SecretFile"]


class LoadedLine(msgspec.Struct, frozen=True, kw_only=True):
    """A line file with all it names, checked as a whole.

    `files` lists every file read, the line file first; `written` holds what stands in each, by its path (see
    `difference.what_stands_in`), so that two loads can be compared. `rules` are settings in the order of the rule files.
    """

    plan: LinePlan
    endpoints: tuple[Endpoint, ...]
    rules: tuple[tuple[str, RuleSettings], ...]
    mqtt: MqttPlan
    notify: NotifyPlan
    doors: DoorsPlan = DoorsPlan()
    files: tuple[Path, ...]
    secret_files: tuple[SecretFile, ...] = ()
    written: dict[str, dict[str, Any]] = {}
    overridden: tuple[tuple[str, tuple[str, ...]], ...] = ()

    def build_rules(self) -> list[Rule]:
        """Make running rules, fresh ones at every call (rules hold state)."""
        site = PlanSite(self.plan)
        return [settings.build(name, site) for name, settings in self.rules]
