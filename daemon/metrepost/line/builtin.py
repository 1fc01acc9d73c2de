"""Alarms that every line has, whatever its rules say: the daemon's own eyes (endpoints, length counter, recipe)."""

import msgspec

from ..events import Class, Priority


class BuiltIn(msgspec.Struct, frozen=True):
    """One built-in alarm, with its rationalization record."""

    rule: str
    limit: str
    priority: Priority
    cause: str
    consequence: str
    response: str
    class_: Class = "system"

    @property
    def alarm(self) -> str:
        """The alarm's id."""
        return f"{self.rule}.{self.limit}"


RESERVED = ("endpoint", "length", "product")
"""Rule names that rule files may not use."""

COUNTER_STANDS = BuiltIn(
    "length",
    "standing",
    "high",
    "length counter or its drive has failed, or the speed reading is wrong",
    "metres are uncertain: flaws may be looked for in the wrong place",
    "compare counter and speed at the capstan; mark the reel as suspect from here",
)
COUNTER_JUMPED = BuiltIn(
    "length",
    "discontinuity",
    "medium",
    "the counter was set, reset or lost counts",
    "metres go on by speed over the jump and are uncertain by what was bridged",
    "find out who set the counter; check the next cut against the reel length",
)
RECIPE_UNKNOWN = BuiltIn(
    "product",
    "unknown",
    "high",
    "the recipe says a product that has no file",
    "limits that come from the product are those of the product before",
    "add the product file, or correct the recipe",
)


def endpoint_lost(endpoint: str) -> BuiltIn:
    """The alarm of one endpoint."""
    return BuiltIn(
        "endpoint",
        endpoint,
        "high",
        "cable, switch or device is off or does not answer",
        "what this device measures is not watched",
        "check device, network and address; rules that read it are blind meanwhile",
    )


def built_in(endpoints: tuple[str, ...]) -> list[BuiltIn]:
    """All built-in alarms of a line."""
    return [COUNTER_STANDS, COUNTER_JUMPED, RECIPE_UNKNOWN, *(endpoint_lost(e) for e in endpoints)]
