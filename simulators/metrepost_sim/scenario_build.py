"""From a scenario file and a line to a scenario: every metre and every duration becomes a moment of this run."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from metrepost.readings.units import Quantity, UnitError, same_dimension

from .any_file import AnyLine
from .counter import CounterFault
from .flaws import Flaw
from .making import drops_between, failing_wipe
from .noise import generator
from .scenario import (
    ConductorFault,
    Disturbance,
    Forced,
    Outage,
    Pinhole,
    ProductChange,
    ReelChange,
    Scenario,
    Span,
    WipeFailure,
)
from .scenario_file import ADVICE, ScenarioFile
from .scenario_moments import Moments
from .scenario_tables import (
    ConductorTable,
    CounterTable,
    CutTable,
    DropTable,
    EventTable,
    FlawTable,
    PinholeTable,
    ProcessTable,
    ProductTable,
    RestartTable,
    SpanTable,
    StationTable,
    TagTable,
    WipeTable,
)
from .wire_faults import EndpointFaults, check_endpoint, spread


@dataclass
class BuiltScenario:
    """A scenario file on a line: the scenario, levels and noises of tags in their units, and faults by endpoint."""

    scenario: Scenario
    levels: dict[str, float] = field(default_factory=dict)
    noises: dict[str, float] = field(default_factory=dict)
    faults: dict[str, EndpointFaults] = field(default_factory=dict)


def build_scenario(file: ScenarioFile, line: AnyLine, seed: int) -> BuiltScenario:
    """Build it. Raises ConfigurationError with every fault of the file, those of its form and those of this line."""
    built = _Builder(file, line, seed).build()
    file.document.faults.raise_any(ADVICE)
    return built


class _Builder:
    """Goes through the events of one file; what does not fit is reported at its key."""

    def __init__(self, file: ScenarioFile, line: AnyLine, seed: int) -> None:
        self._file = file
        self._run = file.run
        self._line = line
        self._place = file.document
        self._seed = seed
        self._moments = Moments(file.events, file.run, line.core, file.document)
        self._flaws: list[Flaw] = []
        self._pinholes: list[Pinhole] = []
        self._conductor: list[ConductorFault] = []
        self._wipe: list[WipeFailure] = []
        self._disturbances: list[Disturbance] = []
        self._products: list[ProductChange] = []
        self._cuts: dict[str, ReelChange] = {}
        self._counter: list[CounterFault] = []
        self._outages: list[Outage] = []
        self._forced: list[Forced] = []
        self._spans: dict[str, list[Span]] = {"spark-off": [], "threading": []}

    def build(self) -> BuiltScenario:
        """The whole scenario, of what is good."""
        acts: dict[type[EventTable], Callable[..., None]] = {
            FlawTable: self._flaw,
            DropTable: self._drop,
            PinholeTable: self._pinhole,
            ConductorTable: self._conductor_fault,
            WipeTable: self._wipe_failure,
            ProcessTable: self._process,
            ProductTable: self._product,
            CutTable: self._cut,
            CounterTable: self._counter_fault,
            RestartTable: self._restart,
            StationTable: self._station,
            TagTable: self._tag,
            SpanTable: self._span,
        }
        for name, event in self._file.events.items():
            act = acts.get(type(event))
            if act is not None:
                act(name, event)
        self._check_cuts()
        run = self._run
        rng = generator(self._seed, "scenario file")
        end = self._moments.metre("plc", run.duration)
        self._flaws += drops_between(rng, self._moments.metre("cold-gauge", 0.0), end, run.drops_per_100_m)
        self._flaws += failing_wipe(rng, self._moments.metre, self._wipe)
        scenario = Scenario(
            name=self._place.path.stem,
            seed=self._seed,
            duration=run.duration,
            speed=run.speed * 60.0,
            speeds=self._moments.speeds.points,
            counter_start=run.counter_start,
            counter_faults=tuple(self._counter),
            recipe=self._recipe(),
            products=tuple(self._products),
            flaws=tuple(self._flaws),
            pinholes=tuple(self._pinholes),
            conductor=tuple(self._conductor),
            disturbances=tuple(self._disturbances),
            wipe_failures=tuple(self._wipe),
            reel_changes=tuple(self._cuts.values()),
            stops=self._moments.speeds.stops,
            threading=tuple(self._spans["threading"]),
            voltage_off=tuple(self._spans["spark-off"]),
            outages=tuple(self._outages),
            limit=run.limit * 1000.0,
            forced=tuple(self._forced),
        )
        built = BuiltScenario(scenario)
        self._signals(built)
        found = self._file.faults
        for name, wire in found.items():
            check_endpoint(wire, name, self._line.protocols, self._place, ("faults", name))
        built.faults = spread(found, self._line.protocols)
        return built

    # ---- events -----------------------------------------------------------------------------------------------------

    def _flaw(self, name: str, e: FlawTable) -> None:
        self._flaws += [
            Flaw(e.kind, metre, e.height * 1000.0, e.length, e.angle, e.width, e.born)
            for metre in self._moments.metres(name, e, "cold-gauge")
        ]

    def _drop(self, name: str, e: DropTable) -> None:
        self._flaws += [
            Flaw("drop", metre, e.height * 1000.0, e.length, 0.0, 90.0, "wipe", (1.0, 0.3), 0.0)
            for metre in self._moments.metres(name, e, "cold-gauge")
        ]

    def _pinhole(self, name: str, e: PinholeTable) -> None:
        self._pinholes += [Pinhole(metre) for metre in self._moments.metres(name, e, "spark-tester")]

    def _conductor_fault(self, name: str, e: ConductorTable) -> None:
        self._conductor += [ConductorFault(m, e.length, e.by * 1000.0) for m in self._moments.metres(name, e, "bare-gauge")]

    def _wipe_failure(self, name: str, e: WipeTable) -> None:
        if (span := self._moments.span(name, e, e.for_, "wipe")) is not None:
            self._wipe.append(WipeFailure(*span, e.drops_per_100_m))

    def _process(self, name: str, e: ProcessTable) -> None:
        unit = "bar" if e.what == "nitrogen" else "degC"
        if not same_dimension(e.by.unit, unit):
            self._place.fault(("event", name, "by"), f"{e.by} has the wrong dimension; {e.what} is in {unit}")
            return
        if (at := self._moments.begin(name, e)) is not None:
            self._disturbances.append(Disturbance(e.what, at, e.by.difference_to(unit), e.rise, e.hold, e.fall))

    def _known_recipe(self, recipe: int, path: tuple[str, ...]) -> bool:
        known = self._line.core.product_targets
        if recipe not in known:
            names = tuple(f"{r} ({self._line.core.product_values.get(r, 'the product')})" for r in known)
            self._place.fault(path, f"the line has no recipe {recipe}", names)
        return recipe in known

    def _recipe(self) -> int:
        if self._run.recipe is not None and self._known_recipe(self._run.recipe, ("run", "recipe")):
            return self._run.recipe
        return next(iter(self._line.core.product_targets))

    def _product(self, name: str, e: ProductTable) -> None:
        known = self._known_recipe(e.recipe, ("event", name, "recipe"))
        at = self._moments.begin(name, e)
        if known and at is not None:
            self._products.append(ProductChange(at, e.recipe, e.over))

    def _cut(self, name: str, e: CutTable) -> None:
        if (at := self._moments.begin(name, e)) is not None:
            self._cuts[name] = ReelChange(at, e.fill, e.empty)

    def _check_cuts(self) -> None:
        free = -np.inf
        for name, cut in sorted(self._cuts.items(), key=lambda item: item[1].at):
            if cut.at - cut.fill <= max(free, -1.0):
                self._place.fault(
                    ("event", name, "at"), "the reel change ahead of it, or the start, leaves no time to fill the accumulator"
                )
            free = cut.at + cut.empty

    def _counter_fault(self, name: str, e: CounterTable) -> None:
        at = self._moments.begin(name, e)
        if at is None:
            return
        until = self._moments.end(name, at, e.for_) if e.for_ is not None else 0.0
        if until is not None:
            self._counter.append(CounterFault(e.what, at, e.by or 0.0, until))

    def _restart(self, name: str, e: RestartTable) -> None:
        known = self._line.protocols
        endpoint = e.endpoint or self._of_the_counter()
        if endpoint not in known:
            wrong = f'no endpoint "{endpoint}" is simulated' if endpoint else "the counter has no endpoint here; name one"
            self._place.fault(("event", name, "endpoint"), wrong, tuple(known), endpoint)
        elif (span := self._moments.span(name, e, e.for_)) is not None:
            self._outages.append(Outage(endpoint, "down", *span))
            if e.counter_zero:
                self._counter.append(CounterFault("zero", span[1]))

    def _of_the_counter(self) -> str:
        """The endpoint that the length counter is read from, the speed where there is none; "" when neither is."""
        served = {r.tag: r.endpoint for r in self._line.file.registers} | {n.tag: n.endpoint for n in self._line.file.nodes}
        by_role = {role: served[tag] for tag, role in self._line.roles.items() if tag in served}
        return by_role.get("length", by_role.get("speed", ""))

    def _station(self, name: str, e: StationTable) -> None:
        stations = tuple(self._line.file.places)
        if e.station not in stations:
            self._place.fault(("event", name, "station"), f'there is no station "{e.station}"', stations, e.station)
        elif (span := self._moments.span(name, e, e.for_)) is not None:
            self._outages.append(Outage(e.station, "freeze" if e.what == "frozen" else "bad", *span))

    def _known_tag(self, tag: str, path: tuple[str, ...]) -> bool:
        served = self._line.file.tags
        if tag not in served:
            self._place.fault(path, f'no tag "{tag}" is simulated; a tag is written station.tag', sorted(served), tag)
        return tag in served

    def _value(self, tag: str, quantity: Quantity, path: tuple[str, ...], *, difference: bool = False) -> float | None:
        unit = self._line.loaded.plan.tags[tag].unit
        try:
            return quantity.difference_to(unit) if difference else quantity.to(unit)
        except UnitError as error:
            self._place.fault(path, str(error))
            return None

    def _tag(self, name: str, e: TagTable) -> None:
        if not self._known_tag(e.tag, ("event", name, "tag")):
            return
        value = None if e.to is None else self._value(e.tag, e.to, ("event", name, "to"))
        span = self._moments.span(name, e, e.for_)
        if span is not None and (e.silent or value is not None):
            self._forced.append(Forced(e.tag, *span, value, e.over))

    def _span(self, name: str, e: SpanTable) -> None:
        if (span := self._moments.span(name, e, e.for_)) is not None:
            self._spans[e.kind].append(Span(*span))

    def _signals(self, built: BuiltScenario) -> None:
        for tag, table in self._file.signals.items():
            if not self._known_tag(tag, ("signal", tag)):
                continue
            for key, quantity, into in (("level", table.level, built.levels), ("noise", table.noise, built.noises)):
                if quantity is not None:
                    value = self._value(tag, quantity, ("signal", tag, key), difference=key == "noise")
                    into |= {} if value is None else {tag: value}
