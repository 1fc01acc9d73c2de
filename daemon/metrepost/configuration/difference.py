"""What two loads of a line have differently, key by key, as the engineer wrote it. Secrets are never in the files, so never here."""

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from ..events import Change
from .plan import LoadedLine
from .toml_lines import KeyPath, spell

TEXTS = frozenset({"cause", "consequence", "response", "respond_within", "priority", "class_", "trial", "group", "because_of"})
"""Keys of a rule that say who is told what and how; what it judges is the same without them."""


def what_stands_in(file: Path, text: str) -> dict[str, Any]:
    """The tables of a TOML file that was loaded; of a list of registers its rows by what their first two cells say."""
    if file.suffix == ".toml":
        return tomllib.loads(text)
    return {".".join(re.split(r"[,;\t]", row)[:2]): row for row in text.splitlines() if row.strip()}


def differences(before: LoadedLine, after: LoadedLine) -> list[Change]:
    """Every key that was added, removed or changed, in the order of files and keys; "" stands for a key that is not there."""
    found: list[Change] = []
    old, new = before.written, after.written
    for file in [*old, *(name for name in new if name not in old)]:
        was, now = dict(_flat(old.get(file, {}))), dict(_flat(new.get(file, {})))
        for key in [*was, *(key for key in now if key not in was)]:
            if was.get(key) != now.get(key):
                found.append(Change(Path(file).name, spell(key), was.get(key, ""), now.get(key, "")))
    return found


def needs_restart(before: LoadedLine, after: LoadedLine) -> str:
    """Why a running daemon cannot take the new files over, as a sentence; "" when it can."""
    if before.plan.source != after.plan.source:
        return f"plant, area and line name its journal and its topics: {before.plan.source} cannot become {after.plan.source}"
    if before.mqtt != after.mqtt:
        return "the connection to the broker ([mqtt], or a secret it names) changed"
    return ""


def same_judgement(before: Any, after: Any) -> bool:
    """Whether two settings of a rule judge alike, whatever their texts and priorities say."""
    return type(before) is type(after) and _judging(before.model_dump()) == _judging(after.model_dump())


def _judging(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _judging(inner) for key, inner in value.items() if key not in TEXTS}
    return value


def _flat(value: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, str]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, (*path, key))
    else:
        yield path, str(value)
