"""From a line file and a scenario's name to a line that can be served: which of the two ways, and what is told about it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from metrepost.configuration.load import load_line

from .any_file import AnyLine, take_line
from .any_servers import AnySimulatedLine
from .line import CoreLine
from .line_file import LineFile, LineFileError, read_line_file
from .scenario import Scenario
from .scenario_build import build_scenario
from .scenario_file import find_scenario, read_scenario, shipped_scenarios
from .scenarios import SCENARIOS
from .scenarios import scenario as named
from .servers import SimulatedLine
from .wire_faults import parse_faults

ANYWHERE = ("steady", "bars", "healthy")
"""Scenarios made by code that name no station, so that any line can have them."""
DEMONSTRATION, OTHERS = "demo", "shift"
"""What is simulated when no scenario is named."""


@dataclass(frozen=True)
class Started:
    """A line, not yet entered; endpoints that are left out, with the reason; and sentences for whoever runs it."""

    line: SimulatedLine
    left_out: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def start(
    file: Path,
    scenario: str | None = None,
    *,
    seed: int = 1,
    speed: float = 1.0,
    faults: str | None = None,
    free_ports: bool = False,
    clock: Callable[[], float] | None = None,
) -> Started:
    """Make the simulated line of a line file.

    Raises ConfigurationError for files and for `faults` with everything that is wrong, and ValueError for a scenario that there
    is not or that the line cannot have.
    """
    demonstration = _demonstration(file)
    name = scenario or (DEMONSTRATION if demonstration is not None else OTHERS)
    if name in SCENARIOS and demonstration is not None:
        protocols = {n: "opcua" if p == "opcua" else "modbus-tcp" for n, p in demonstration.protocols.items()}
        wire = parse_faults(faults, protocols) if faults else {}
        ports = {} if free_ports else _ports(demonstration.addresses)
        return Started(SimulatedLine(name, seed=seed, speed=speed, ports=ports, file=demonstration, clock=clock, faults=wire))
    return _any(file, name, seed, speed, faults, clock, free_ports=free_ports)


def _demonstration(file: Path) -> LineFile | None:
    """The line file as the demonstration line has it; None when it is another line."""
    try:
        line = read_line_file(file)
        CoreLine(named("steady"), line)
    except (KeyError, TypeError, ValueError, OSError):  # whatever it is, the daemon's own loader says what is wrong with it
        return None
    return line


def _any(
    file: Path, name: str, seed: int, speed: float, faults: str | None, clock: Callable[[], float] | None, *, free_ports: bool
) -> Started:
    path = find_scenario(name)
    if path is None and name not in ANYWHERE:
        everywhere = ", ".join([*ANYWHERE, *shipped_scenarios()])
        if name in SCENARIOS:
            raise ValueError(f"scenario {name!r} needs the stations of the demonstration line; any line can have {everywhere}")
        raise ValueError(
            f"no scenario {name!r}; there are {', '.join([*SCENARIOS, *shipped_scenarios()])}, or name a file.toml"
        )
    loaded = load_line(file)
    if path is None:
        line = take_line(loaded)
        made = _for_line(named(name, seed), line)
        levels: Mapping[str, float] = {}
        noises: Mapping[str, float] = {}
        wire = {}
    else:
        text = read_scenario(path)
        line = take_line(loaded, text.roles)
        built = build_scenario(text, line, seed)
        made, levels, noises, wire = built.scenario, built.levels, built.noises, built.faults
    if faults:
        wire = {**wire, **parse_faults(faults, line.protocols)}
    ports = {} if free_ports else _ports(line.file.addresses)
    simulated = AnySimulatedLine(
        line, made, seed=seed, speed=speed, ports=ports, clock=clock, faults=wire, levels=levels, noises=noises
    )
    return Started(simulated, line.left_out, line.notes)


def _for_line(scenario: Scenario, line: AnyLine) -> Scenario:
    return replace(scenario, recipe=next(iter(line.core.product_targets)))


def _ports(addresses: Mapping[str, str]) -> dict[str, int]:
    """The ports of the line file; of two endpoints on one port (of two machines) the second takes a free one."""
    ports: dict[str, int] = {}
    for name, address in addresses.items():
        host = address.rpartition("://")[2].partition("/")[0]
        port = host.rpartition(":")[2]
        if not port.isdigit():
            raise LineFileError(f"endpoint {name}: the address {address} has no port; try --free-ports")
        ports[name] = int(port) if int(port) not in ports.values() else 0
    return ports
