"""A TOML file as read: its data, and the line of every key. Reading faults (no file, no UTF-8, bad syntax) are faults too."""

import ast
import re
import tomllib
from collections.abc import Iterable
from datetime import date, time
from pathlib import Path
from typing import Any

from .faults import Faults, nearest
from .toml_lines import KeyPath, key_lines, spell

_LARGEST = 16 * 1024 * 1024  # a line file is a few kB; a larger one is a recording or a device, given by mistake
_KEYS = re.compile(r"\('(?:[^'\\]|\\.)*'(?:, '(?:[^'\\]|\\.)*')*,?\)")  # how tomllib shows a key path
_AT_LINE = re.compile(r" \(at line (\d+), column (\d+)\)$")


class Document:
    """A TOML file. `data` is what stands in it, `line_of` where."""

    def __init__(self, path: Path, data: dict[str, Any], lines: dict[KeyPath, int], faults: Faults) -> None:
        self.path = path
        self.data = data
        self.faults = faults
        self._lines = lines

    def line_of(self, path: KeyPath) -> int:
        """Line of a key, or of the nearest table around it when the key is not there (1 for the file itself)."""
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines[path] if path else 1

    def fault(self, path: KeyPath, wrong: str, allowed: Iterable[str] = (), meant: str | None = None) -> None:
        """Report a fault at a key path."""
        self.faults.add(self.path, self.line_of(path), spell(path), wrong, allowed, meant)


def read_document(path: Path, faults: Faults) -> Document | None:
    """Read a file of format 1. None, with faults reported, when there is nothing to go on with."""
    faults.opened(path)
    text = read_text(path, faults)
    if text is None:
        return None
    try:
        data = tomllib.loads(text)
        lines = key_lines(text)
    except tomllib.TOMLDecodeError as error:
        sentence = str(error)
        place = _AT_LINE.search(sentence)
        line = int(place[1]) if place else text.count("\n") + 1
        column = f" (column {place[2]})" if place else ""
        sentence = _KEYS.sub(lambda keys: spell(ast.literal_eval(keys[0])), _AT_LINE.sub("", sentence))
        faults.add(path, line, "", f"no valid TOML: {sentence}{column}")
        return None
    except ValueError as error:  # a whole number of thousands of digits, which Python does not read
        faults.add(path, 0, "", f"no number that can be read: {error}")
        return None
    except RecursionError:
        faults.add(path, 0, "", "tables or lists are nested too deeply")
        return None
    document = Document(path, data, lines, faults)
    data = _without_dates(document, data, ())
    document.data = data
    if "format" not in data:
        document.fault((), "the file does not say its format; write format = 1 as its first line", ["format = 1"])
    elif data["format"] != 1 or not isinstance(data["format"], int) or isinstance(data["format"], bool):
        document.fault(("format",), f"format {data['format']!r} is not known to this version", ["1"])
    return document


def _without_dates(document: Document, value: Any, path: KeyPath) -> Any:
    """Refuse dates and times of TOML, which no key takes, and hand the rest on with text in their place."""
    if isinstance(value, dict):
        return {key: _without_dates(document, inner, (*path, key)) for key, inner in value.items()}
    if isinstance(value, list):
        return [_without_dates(document, inner, (*path, index)) for index, inner in enumerate(value)]
    if isinstance(value, date | time):  # a datetime is a date
        document.fault(path, f"{value} is a date or time of TOML, which no key takes; write text in quotes, or a number")
        return str(value)
    return value


def read_text(path: Path, faults: Faults) -> str | None:
    """The text of a UTF-8 file, with or without a byte order mark; None, with a fault reported, when it cannot be read."""
    try:
        if not path.is_file():
            names = [other.name for other in path.parent.iterdir()] if path.parent.is_dir() else []
            meant = nearest(path.name, names)
            what = "is a folder; name a file" if path.is_dir() else "there is no such file"
            faults.add(path, 0, "", what, [meant] if meant else (), path.name if meant else None)
            return None
        if path.stat().st_size > _LARGEST:
            faults.add(path, 0, "", f"the file is larger than {_LARGEST // 1024 // 1024} MB: this is no configuration file")
            return None
        text = faults.texts[path] = path.read_bytes().decode("utf-8-sig")
        return text
    except OSError as error:
        faults.add(path, 0, "", f"the file cannot be read: {error.strerror or error}")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        faults.add(path, line, "", "the file is not UTF-8 text; save it as UTF-8 (in a spreadsheet: CSV UTF-8)")
    return None
