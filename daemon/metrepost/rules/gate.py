"""The gate of a rule: `when`, `when_now` and `hold_off`.

There is one for each rule. The engine asks it for readings, the rule itself at ticks: a value that stands, or silence, brings no
reading for which the engine could ask.
"""

from collections.abc import Mapping, Sequence
from enum import Enum

from ..line.plan import Product, Registration, Station
from ..readings import Tag
from .contract import RuleSettings, Site, View
from .expressions import When, compile_when
from .hold_off import HoldOffWatch
from .looking_up import find_tag


class Pass(Enum):
    """What a gate lets a rule do."""

    JUDGE = "judge"
    HOLD = "hold"
    """`hold_off`: nothing is judged, what is active stays, what is pending begins anew."""
    SHUT = "shut"
    """`when` does not hold: what is active ends."""


class Gate:
    """Whether a rule is to be judged at a metre."""

    __slots__ = ("_when", "_when_now", "hold_off", "open")

    def __init__(self, when: When | None = None, when_now: When | None = None, hold_off: HoldOffWatch | None = None) -> None:
        self._when = when
        self._when_now = when_now
        self.hold_off = hold_off
        self.open = when is None and when_now is None and hold_off is None
        """True when there is nothing to ask: everything is judged."""

    def ask(self, metre: float, view: View) -> Pass:
        """`metre` is the one in front of the rule's station. `when` goes before `hold_off`."""
        if self.open:
            return Pass.JUDGE
        if not self.holds(metre, view):
            return Pass.SHUT
        watch = self.hold_off
        if watch is not None and watch.holding(view.now, view.metre_now(watch.station)):
            return Pass.HOLD
        return Pass.JUDGE

    def holds(self, metre: float, view: View) -> bool:
        """`when` for the metre in front of the station, `when_now` for the present moment; both, where both are written."""
        if self._when is not None and not self._when.holds(view.state_at(metre), view):
            return False
        return self._when_now is None or self._when_now.holds(view.state, view)


class _Mute:
    """A site that keeps quiet: the loader compiles the same texts and reports what is wrong with them, once."""

    def __init__(self, site: Site) -> None:
        self._site = site

    @property
    def tags(self) -> Mapping[str, Tag]:
        return self._site.tags

    @property
    def stations(self) -> Mapping[str, Station]:
        return self._site.stations

    @property
    def products(self) -> Mapping[str, Product]:
        return self._site.products

    @property
    def registration(self) -> Registration:
        return self._site.registration

    @property
    def has_axis(self) -> bool:
        return self._site.has_axis

    @property
    def max_speed(self) -> float:
        return self._site.max_speed

    def fail(self, key: str, wrong: str, allowed: Sequence[str] = ()) -> None:
        """Say nothing."""


def gate(settings: RuleSettings, site: Site) -> Gate:
    """The gate of a rule. What is wrong with its keys is reported when the file is loaded, once for every kind."""
    mute = _Mute(site)
    watch = None
    if settings.hold_off is not None:
        tag = find_tag(site, settings.hold_off.after_change_of)
        watch = HoldOffWatch(tag.name, tag.station, settings.hold_off.for_)
    return Gate(
        compile_when(settings.when, mute, "when") if settings.when is not None else None,
        compile_when(settings.when_now, mute, "when_now") if settings.when_now is not None else None,
        watch,
    )
