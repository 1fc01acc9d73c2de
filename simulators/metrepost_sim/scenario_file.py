"""Scenario files: found, read, and validated table by table, so that one fault hides no other."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import metrepost
from metrepost.configuration.document import Document, read_document
from metrepost.configuration.explain import validate
from metrepost.configuration.faults import Faults
from metrepost.configuration.table import IDENTIFIER_FORM, is_identifier

from .roles import Role
from .scenario_tables import EVENTS, AnyEvent, RunTable, SignalTable
from .wire_faults import EndpointFaults

_TABLES = ("format", "run", "event", "signal", "faults")
ADVICE = "Nothing was started. Correct the scenario at the lines named above and start it again."


@dataclass
class ScenarioFile:
    """What is good of a scenario file; `document` knows where it stands, and what is wrong."""

    document: Document
    run: RunTable = field(default_factory=RunTable)
    events: dict[str, AnyEvent] = field(default_factory=dict)
    signals: dict[str, SignalTable] = field(default_factory=dict)
    faults: dict[str, EndpointFaults] = field(default_factory=dict)

    @property
    def roles(self) -> Mapping[str, Role]:
        """Roles that the file gives to tags."""
        return {tag: table.as_ for tag, table in self.signals.items() if table.as_ is not None}


def scenarios_folder() -> Path:
    """The shipped scenario files: inside an installed wheel, else in the repository."""
    shipped = Path(metrepost.__file__).parent / "shipped" / "scenarios"
    return shipped if shipped.is_dir() else Path(__file__).parents[1] / "scenarios"


def shipped_scenarios() -> dict[str, Path]:
    """The shipped scenario files by name."""
    return {path.stem: path for path in sorted(scenarios_folder().glob("*.toml"))}


def find_scenario(name: str) -> Path | None:
    """The file of a scenario: a path, or the name of a shipped one; None when there is neither."""
    path = Path(name)
    return path if path.suffix == ".toml" or path.is_file() else shipped_scenarios().get(name)


def read_scenario(path: Path) -> ScenarioFile:
    """Read a scenario file. What is wrong is in ``document.faults``, so that what does not fit the line can be told with it.

    Raises ConfigurationError when there is nothing to go on with: no file, no TOML.
    """
    faults = Faults()
    document = read_document(path, faults)
    if document is None:
        faults.raise_any(ADVICE)
    assert document is not None
    found = ScenarioFile(document)
    for key in document.data:
        if key not in _TABLES:
            document.fault((key,), "there is no such table or key", _TABLES, key)
    if "run" in document.data:
        found.run = validate(RunTable, document, ("run",), document.data["run"]) or found.run
    for name, table in _named(document, "event"):
        if (event := _event(document, name, table)) is not None:
            found.events[name] = event
    for name, table in _named(document, "signal", names=False):
        if (signal := validate(SignalTable, document, ("signal", name), table)) is not None:
            found.signals[name] = signal
    for name, table in _named(document, "faults", names=False):
        if (wire := validate(EndpointFaults, document, ("faults", name), table)) is not None:
            found.faults[name] = wire
    return found


def _named(document: Document, section: str, *, names: bool = True) -> list[tuple[str, Any]]:
    tables = document.data.get(section, {})
    if not isinstance(tables, dict):
        document.fault((section,), f"tables are expected here, such as [{section}.NAME]")
        return []
    good = []
    for name, table in tables.items():
        if names and not is_identifier(name):
            document.fault((section, name), f'"{name}" is no identifier; names are made of {IDENTIFIER_FORM}')
        else:
            good.append((name, table))
    return good


def _event(document: Document, name: str, table: Any) -> AnyEvent | None:
    path = ("event", name)
    if not isinstance(table, dict):
        document.fault(path, f"a table is expected here: [event.{name}]")
        return None
    kind = table.get("kind")
    if kind is None:
        document.fault((*path, "kind"), "the key is missing: what happens", tuple(EVENTS))
        return None
    if not isinstance(kind, str) or kind not in EVENTS:
        document.fault((*path, "kind"), f"{kind!r} is not one of them", tuple(EVENTS), str(kind))
        return None
    model: type[AnyEvent] = EVENTS[kind]
    return validate(model, document, path, table)
