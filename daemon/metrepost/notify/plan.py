"""Who is told what. URLs are resolved secrets: no repr, log or error of this room shows them."""

from typing import Any

import msgspec

from ..events import Class, Priority

CLASSES: tuple[Class, ...] = ("product", "equipment", "process", "system")
PRIORITIES: tuple[Priority, ...] = ("low", "medium", "high", "critical")


class Person(msgspec.Struct, frozen=True):
    """One person (or desk) on the roster. `urls` are apprise URLs; each message goes to all of them.

    They are told of alarms whose class is in `classes` and whose priority is in `priorities`; both hold everything when left
    out.
    """

    name: str
    urls: tuple[str, ...]
    classes: tuple[Class, ...] = CLASSES
    priorities: tuple[Priority, ...] = PRIORITIES

    def wants(self, class_: str, priority: str) -> bool:
        """Whether alarms of this class and priority are for this person."""
        return class_ in self.classes and priority in self.priorities

    def __repr__(self) -> str:
        return f"Person(name={self.name!r}, urls=<{len(self.urls)} hidden>, {self.classes!r}, {self.priorities!r})"

    def __rich_repr__(self) -> Any:
        """Rich tracebacks print local variables by this, not by repr."""
        yield "name", self.name
        yield "urls", f"<{len(self.urls)} hidden>"


class NotifyPlan(msgspec.Struct, frozen=True):
    """The roster, and when many alarms become one flood message.

    More than `flood` alarms for one person within `window` seconds are a flood. `stations` maps a rule to the station it
    reads, so that a message can say where; a rule that is not in it is told without a station.
    """

    people: tuple[Person, ...] = ()
    flood: int = 10
    window: float = 600.0
    stations: dict[str, str] = {}
