"""Why an alarm spoke, as data: what its tags said last, what they were compared with, over what and how long. Small and JSON-able."""

from math import isfinite
from typing import Any

from .contract import Condition, RuleSettings, View

TAGS = 8
"""Tags whose readings go into an explanation, at most."""

SETTINGS = (
    "over", "on_delay", "off_delay", "deadband", "for_", "per", "baseline", "height", "direction", "tolerance", "target", "subgroup",
    "learn", "required", "rule", "expression", "when", "when_now",
)  # fmt: skip
"""Keys of any kind that explain how it judged."""


def reasons(settings: RuleSettings, condition: Condition, view: View) -> dict[str, Any]:
    """``reads`` (tag: value, quality and metre of its last reading), ``judged`` (the settings that mattered) and ``limit``."""
    reads: dict[str, Any] = {}
    for tag in settings.tags()[:TAGS]:
        m = view.last(tag)
        if m is not None:
            reads[tag] = {
                "value": _short(m.value),
                "quality": m.quality.word,
                "metre": _short(m.metre),
                **({"reason": m.reason} if m.reason else {}),
            }
    judged = {}
    for key in SETTINGS:
        value = getattr(settings, key, None)
        if value is not None and value != "":
            judged[key.rstrip("_")] = str(value)
    limit = {"value": condition.value, "bound": condition.bound, "unit": condition.unit}
    return {"reads": reads, "judged": judged, "limit": limit}


def _short(value: float) -> float | None:
    return float(f"{value:.7g}") if isfinite(value) else None
