"""A scenario: everything that happens on the simulated line, as plain data. Built by code, or from a scenario file (`scenario_file`).

Times are seconds since the start, metres are true counter metres, speeds m/min, diameters mm.
"""

from dataclasses import dataclass, field
from typing import Literal

from .counter import CounterFault
from .flaws import Flaw
from .motion import SpeedPoint


@dataclass(frozen=True)
class Surface:
    """The undisturbed core: amplitudes in mm, all about the size of common practice (no source).

    `twist` (degrees) is how far the core has turned from the hot gauge to the cold one, the mounting of both included.
    """

    drift: float = 0.004
    screw: float = 0.003
    screw_rpm: float = 48.0
    haul_off: float = 0.002
    haul_off_length: float = 1.57
    ovality: float = 0.010
    noise: float = 0.0015
    shrink: float = 0.02
    twist: float = 30.0
    twist_wander: float = 12.0


@dataclass(frozen=True)
class Pinhole:
    """A hole in the insulation at `metre`: the spark tester counts it if high voltage is on."""

    metre: float


@dataclass(frozen=True)
class ConductorFault:
    """A piece of conductor of another diameter (mm), as a bad pay-off leaves it."""

    metre: float
    length: float
    amount: float


@dataclass(frozen=True)
class Disturbance:
    """A process value that moves away by `amount` and comes back: ramp of `rise`, plateau of `hold`, ramp of `fall` seconds."""

    what: Literal["nitrogen", "water", "melt", "preheat"]
    at: float
    amount: float
    rise: float = 2.0
    hold: float = 5.0
    fall: float = 4.0


@dataclass(frozen=True)
class WipeFailure:
    """The air wipe fails between two moments and leaves `rate` drops per 100 m; its air pressure falls."""

    at: float
    until: float
    rate: float = 60.0


@dataclass(frozen=True)
class ReelChange:
    """A cut at `at`. The accumulator fills during `fill` seconds before it and empties during `empty` after."""

    at: float
    fill: float = 6.0
    empty: float = 20.0


@dataclass(frozen=True)
class Stop:
    """The line slows down at `at` and stands until `until`. With `emergency`, hard, and the PLC says so."""

    at: float
    until: float
    emergency: bool = False


@dataclass(frozen=True)
class ProductChange:
    """The recipe changes; the core follows at the die over about `over` metres."""

    at: float
    recipe: int
    over: float = 20.0


@dataclass(frozen=True)
class Outage:
    """What does not work between two moments. `name` is a station or, for ``down``, an endpoint.

    ``freeze``: registers stand still; ``bad``: they read 0; ``down``: no answer at all.
    """

    name: str
    what: Literal["freeze", "bad", "down"]
    at: float
    until: float


@dataclass(frozen=True)
class Forced:
    """A tag that shows what it is told between two moments: `value`, in its unit, reached over `over` seconds; None: it is silent."""

    tag: str
    at: float
    until: float
    value: float | None
    over: float = 0.0


@dataclass(frozen=True)
class Span:
    """From one moment to another."""

    at: float
    until: float


@dataclass(frozen=True)
class Scenario:
    """One run of the line. `speed` is the nominal speed; `speeds` the profile; `prelude_speed` the speed before time 0."""

    name: str
    seed: int
    duration: float
    speed: float
    speeds: tuple[SpeedPoint, ...]
    prelude_speed: float | None = None
    counter_start: float = 1000.0
    counter_faults: tuple[CounterFault, ...] = ()
    recipe: int = 75
    products: tuple[ProductChange, ...] = ()
    surface: Surface = field(default_factory=Surface)
    flaws: tuple[Flaw, ...] = ()
    pinholes: tuple[Pinhole, ...] = ()
    conductor: tuple[ConductorFault, ...] = ()
    disturbances: tuple[Disturbance, ...] = ()
    wipe_failures: tuple[WipeFailure, ...] = ()
    reel_changes: tuple[ReelChange, ...] = ()
    stops: tuple[Stop, ...] = ()
    threading: tuple[Span, ...] = ()
    voltage_off: tuple[Span, ...] = ()
    outages: tuple[Outage, ...] = ()
    limit: float = 0.06
    first_reel: int = 101
    accumulator: float = 12.0
    forced: tuple[Forced, ...] = ()
