"""What a rule may look up while it is built: the line plan, and a place to say what does not fit."""

from collections.abc import Callable, Mapping, Sequence

from ..line.plan import LinePlan, Product, Registration, Station
from ..readings import Tag


def _refuse(key: str, wrong: str, _allowed: Sequence[str]) -> None:
    raise ValueError(f"{key}: {wrong}" if key else wrong)


class PlanSite:
    """The `Site` of `metrepost.rules.contract` over a line plan. What fails goes to `report(key, wrong, allowed)`.

    Without `report` a setting that does not fit raises ValueError: settings that were loaded have been checked already.
    """

    def __init__(self, plan: LinePlan, report: Callable[[str, str, Sequence[str]], None] = _refuse) -> None:
        self._plan = plan
        self._report = report

    @property
    def tags(self) -> Mapping[str, Tag]:
        """All tags, computed ones too, by full name."""
        return self._plan.tags

    @property
    def stations(self) -> Mapping[str, Station]:
        """Stations by name."""
        return self._plan.stations

    @property
    def products(self) -> Mapping[str, Product]:
        """Products by the key the plan knows them by."""
        return self._plan.product.products

    @property
    def registration(self) -> Registration:
        """Registration of the length axis, the default one when there is none."""
        return self._plan.axis.registration if self._plan.axis else Registration()

    @property
    def has_axis(self) -> bool:
        """Whether the line has a length axis."""
        return self._plan.axis is not None

    @property
    def max_speed(self) -> float:
        """Largest line speed in m/s (0.0 on a line without a length axis)."""
        return self._plan.axis.max_speed if self._plan.axis else 0.0

    def fail(self, key: str, wrong: str, allowed: Sequence[str] = ()) -> None:
        """Report a setting that does not fit, by its key path within the rule's table."""
        self._report(key, wrong, allowed)
