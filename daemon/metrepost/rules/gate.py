"""`when` and `when_now` for the rules themselves: a value that stands, or silence, brings no reading for which the engine could ask."""

from collections.abc import Mapping, Sequence

from ..line.plan import Product, Registration, Station
from ..readings import Tag
from .contract import RuleSettings, Site, View
from .expressions import When, compile_when


class Gate:
    """Whether a rule is to be judged at a metre."""

    __slots__ = ("_when", "_when_now", "open")

    def __init__(self, when: When | None = None, when_now: When | None = None) -> None:
        self._when = when
        self._when_now = when_now
        self.open = when is None and when_now is None
        """True when there is nothing to ask: it always holds."""

    def holds(self, metre: float, view: View) -> bool:
        """`when` for the metre in front of the station, `when_now` for the present moment; both, where both are written."""
        if self.open:
            return True
        if self._when is not None and not self._when.holds(view.state_at(metre), view):
            return False
        return self._when_now is None or self._when_now.holds(view.state, view)


class _Mute:
    """A site that keeps quiet: the engine compiles the same texts and reports what is wrong with them, once."""

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
    """The gate of a rule. What is wrong with the texts is reported where the engine compiles them."""
    mute = _Mute(site)
    return Gate(
        compile_when(settings.when, mute, "when") if settings.when is not None else None,
        compile_when(settings.when_now, mute, "when_now") if settings.when_now is not None else None,
    )
