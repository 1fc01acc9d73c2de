"""One table for many rules: ``for_each = { zone = ["1", "2", "3"] }`` makes a rule for each word, and ``{zone}`` stands for the word.

One level only: there is one placeholder, the words are plain, and what is made is not expanded again.
"""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from .faults import Place
from .table import IDENTIFIER_FORM, is_identifier
from .toml_lines import KeyPath

FOR_EACH = "for_each"
_HOLE = re.compile(r"\{([a-z_][a-z0-9_]*)\}")


def repeated(place: Place, path: KeyPath, name: str, table: Mapping[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """The rules that a table makes, as (name, table): itself when it has no `for_each`, ``name-word`` for each word otherwise.

    What is wrong with `for_each` is reported, and nothing is made then.
    """
    if FOR_EACH not in table:
        return [(name, dict(table))]
    words = _words(place, path, table[FOR_EACH])
    if words is None:
        return []
    hole, each = words
    rest = {key: value for key, value in table.items() if key != FOR_EACH}
    strange = [(where, word) for where, word in _holes(rest) if word != hole]
    for where, word in strange:
        place.fault((*path, *where), f"{{{word}}} stands for nothing", [f"{{{hole}}}"], f"{{{word}}}")
    if strange:
        return []
    if not any(True for _ in _holes(rest)):
        place.fault((*path, FOR_EACH), f"{{{hole}}} stands nowhere in the rule, so all of them would be the same")
        return []
    return [(f"{name}-{word}", {key: _filled(value, hole, word) for key, value in rest.items()}) for word in each]


def word_path(table: Mapping[str, Any], index: int) -> KeyPath:
    """Where, in a table that made rules, the word stands that the rule of that number was made of."""
    hole = next(iter(table[FOR_EACH]))
    return (FOR_EACH, hole, index)


def _words(place: Place, path: KeyPath, given: object) -> tuple[str, list[str]] | None:
    example = 'write one placeholder with its words, such as for_each = { zone = ["1", "2"] }'
    if not isinstance(given, dict) or len(given) != 1:
        place.fault((*path, FOR_EACH), example)
        return None
    (hole, each), *_ = given.items()
    if not isinstance(each, list) or not each or not all(isinstance(word, str) for word in each):
        place.fault((*path, FOR_EACH, hole), example)
        return None
    good = True
    for index, word in enumerate(each):
        if not is_identifier(word):
            place.fault((*path, FOR_EACH, hole, index), f'"{word}" becomes part of a name; names are made of {IDENTIFIER_FORM}')
            good = False
        elif word in each[:index]:
            place.fault((*path, FOR_EACH, hole, index), f'"{word}" stands twice')
            good = False
    return (hole, each) if good else None


def _holes(value: object, path: KeyPath = ()) -> Iterator[tuple[KeyPath, str]]:
    """Every placeholder, with its key path."""
    if isinstance(value, str):
        for word in _HOLE.findall(value):
            yield path, word
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _holes(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _holes(inner, (*path, index))


def _filled(value: Any, hole: str, word: str) -> Any:
    if isinstance(value, str):
        return value.replace(f"{{{hole}}}", word)
    if isinstance(value, dict):
        return {key: _filled(inner, hole, word) for key, inner in value.items()}
    if isinstance(value, list):
        return [_filled(inner, hole, word) for inner in value]
    return value
