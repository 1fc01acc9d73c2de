"""Per-line overrides: a line file's ``[override.RULE]`` changes keys of a shared rule for this line only.

Tables are merged key by key before anything is validated; a fault in a key that came from the line file points there.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from .document import Document
from .toml_lines import KeyPath

OVERRIDE = "override"


class Overlaid:
    """A rule's table in its file, with what a line file laid over it. Reports faults where the key was written."""

    def __init__(self, rules: Document, name: str, line: Document | None, over: Mapping[str, Any]) -> None:
        self._rules = rules
        self._written = rules.data["rule"][name]
        self._name = name
        self._line = line
        self._over = over

    def fault(self, path: KeyPath, wrong: str, allowed: Iterable[str] = (), meant: str | None = None) -> None:
        """Report a fault at a key path that begins with ``rule, NAME``."""
        rest = path[2:] if path[:2] == ("rule", self._name) else path
        if self._line is not None and rest and _laid_over(self._over, self._written, rest):
            self._line.fault((OVERRIDE, self._name, *rest), wrong, allowed, meant)
        else:
            self._rules.fault(("rule", self._name, *rest), wrong, allowed, meant)


def _laid_over(over: object, written: object, path: KeyPath) -> bool:
    """Whether what stands at a path came from the line file: a key of its own, or a table that it changed something in."""
    for part in path:
        if not isinstance(over, Mapping) or part not in over:
            return False
        over = over[part]
        written = written.get(part) if isinstance(written, Mapping) else None
        if not isinstance(over, Mapping) or not isinstance(written, Mapping):
            return True
    return True


def merged(table: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """`over` laid on `table`, tables within tables key by key."""
    found = dict(table)
    for key, value in over.items():
        below = found.get(key)
        found[key] = merged(below, value) if isinstance(below, Mapping) and isinstance(value, Mapping) else value
    return found


def overrides_of(document: Document) -> dict[str, Mapping[str, Any]]:
    """The override tables of a line file by rule name; what is no table is reported."""
    tables = document.data.get(OVERRIDE, {})
    if not isinstance(tables, dict):
        document.fault((OVERRIDE,), "tables [override.RULE] are expected")
        return {}
    found: dict[str, Mapping[str, Any]] = {}
    for name, table in tables.items():
        if isinstance(table, dict):
            found[name] = table
        else:
            document.fault((OVERRIDE, name), "a table is expected: the keys to change")
    return found
