"""The line as the core sees it: every setting worked out at load, in metres, seconds and metres per second.

Positions are metres along the cable path: die = 0, downstream positive, upstream negative.
"""

from typing import Literal

import msgspec

from ..readings.tag import Tag
from ..readings.units import Extent

Mark = Literal["scrap", "suspect"]
StretchCause = Literal["stop", "emergency_stop", "start", "product_change", "splice"]


class Station(msgspec.Struct, frozen=True):
    """A place along the line that looks at the cable. `aperture` is its measuring length (m), `latency` is in seconds."""

    name: str
    position: float
    aperture: float = 0.0
    latency: float = 0.0


class Registration(msgspec.Struct, frozen=True):
    """How well metres of two stations match: ``length + share * distance + time * speed``."""

    length: float = 0.05
    share: float = 0.001
    time: float = 0.02

    def between(self, distance: float, speed: float) -> float:
        """Metres of doubt between two stations `distance` metres apart at `speed` (m/s)."""
        return self.length + self.share * abs(distance) + self.time * abs(speed)


class AxisPlan(msgspec.Struct, frozen=True):
    """Where the metre comes from. `counter` and `speed` are tag names ("" when absent; one of them stands).

    `counter_to_m` and `speed_to_mps` turn their values into m and m/s. `wraps_at` 0 means that the counter never wraps.
    """

    counter: str = ""
    speed: str = ""
    counter_to_m: float = 1.0
    speed_to_mps: float = 1.0 / 60.0
    reference: float = 0.0
    wraps_at: float = 0.0
    resolution: float = 0.01
    max_speed: float = 5.0
    reverse_limit: float = 0.5
    registration: Registration = Registration()


class StatePlan(msgspec.Struct, frozen=True):
    """When the line is stopped, threading, producing (all in m/s, m and s)."""

    standstill: float = 0.5 / 60.0
    producing_above: float = 10.0 / 60.0
    producing_hysteresis: float = 2.0 / 60.0
    producing_for: Extent = Extent(metres=20.0)
    threading: str = ""  # tag: true (non-zero) while threading
    emergency_stop: str = ""  # tag: true (non-zero) during an emergency stop


class StretchPlan(msgspec.Struct, frozen=True):
    """How much cable a happening at the die spoils, before and after it (metres)."""

    before: float
    after: float
    mark: Mark


class TakeUpPlan(msgspec.Struct, frozen=True):
    """Where cable is cut. `cut` is the tag whose change is a cut; `reel`, `accumulator` are tags or ""."""

    position: float
    cut: str = ""
    reel: str = ""
    accumulator: str = ""
    accumulator_to_m: float = 1.0


class Toleranced(msgspec.Struct, frozen=True):
    """A product value: target with tolerance (None when there is none), both in `unit`."""

    target: float
    tolerance: float | None
    unit: str


PRODUCT = "product."
"""What a name in a file that means a value of the product begins with."""


class Product(msgspec.Struct, frozen=True):
    """A cable core. `values` holds every quantity of the [product] table by key, such as ``dielectric``."""

    name: str
    values: dict[str, Toleranced] = {}


class ProductPlan(msgspec.Struct, frozen=True):
    """The product in make, or the tag (`recipe`) whose value picks one of `products`."""

    products: dict[str, Product]
    present: str = ""
    recipe: str = ""


class ComputedPlan(msgspec.Struct, frozen=True):
    """A computed tag: `function` (a name of `line.formulas.FUNCTIONS` or `line.physical.PHYSICAL`) of other tags, in order.

    `options` are in the units the function asks for; ``product.KEY`` takes that value of the product of the metre.
    """

    tag: str
    function: str
    of: tuple[str, ...]
    options: dict[str, float | str] = {}


class RollupPlan(msgspec.Struct, frozen=True):
    """Spans of the rollups, lengths in metres and times in seconds with the name each has in topics.

    `reels` are those of `tags` that reels are rolled up for, None: all of them.
    `limits` maps a tag to ``(low, high)`` product limits, in the tag's unit, by product name.
    """

    lengths: tuple[tuple[str, float], ...] = (("100m", 100.0), ("1km", 1000.0))
    times: tuple[tuple[str, float], ...] = (("10s", 10.0), ("1min", 60.0))
    tags: tuple[str, ...] = ()
    limits: dict[str, dict[str, tuple[float, float]]] = {}
    reels: tuple[str, ...] | None = None


class LinePlan(msgspec.Struct, frozen=True):
    """One line, whole."""

    plant: str
    area: str
    name: str
    stations: dict[str, Station]
    tags: dict[str, Tag]
    product: ProductPlan
    axis: AxisPlan | None = None
    state: StatePlan = StatePlan()
    take_up: TakeUpPlan | None = None
    stretches: dict[str, StretchPlan] = {}
    computed: tuple[ComputedPlan, ...] = ()
    rollups: RollupPlan = RollupPlan()

    @property
    def source(self) -> str:
        """CloudEvents source."""
        return f"/{self.plant}/{self.area}/{self.name}"

    @property
    def root(self) -> str:
        """MQTT topic root, with the trailing slash."""
        return f"metrepost/v1/{self.plant}/{self.area}/{self.name}/"
