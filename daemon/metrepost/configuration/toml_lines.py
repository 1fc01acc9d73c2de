"""Where each key of a TOML file stands. The standard parser gives no positions, and no well-kept library that does is pure Python.

The scanner walks text that `tomllib` has already accepted, so it never judges syntax: it only has to know where things end. It
is checked against `tomllib` on generated files in the tests.
"""

import bisect
import re
from collections.abc import Iterator

KeyPath = tuple[str | int, ...]
"""Keys, and indices of arrays, from the root of a file."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_BASIC = re.compile(r'"(?:[^"\\]|\\.)*"')
_LITERAL = re.compile(r"'[^']*'")
_LONG_BASIC = re.compile(r'"""(?:[^\\]|\\.)*?"""(?!")', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''.*?'''(?!')", re.DOTALL)
_SCALAR = re.compile(r"[^,\]}\n#]+")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|x([0-9A-Fa-f]{2})|(.))")
_SHORT = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b", '"': '"', "\\": "\\"}


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every key, table and array element of a valid TOML document.

    A table that is only implied (`a` in ``[a.b]`` or ``a.b = 1``) has the line of its first mention.
    """
    return _Scanner(text).scan()


def spell(path: KeyPath) -> str:
    """A key path as in the file: ``station.cold-gauge.tags.x``, ``rules[1]``, ``product."odd key"``."""
    words = ""
    for part in path:
        if isinstance(part, int):
            words += f"[{part}]"
            continue
        word = part if _BARE_KEY.fullmatch(part) else '"' + part.replace("\\", "\\\\").replace('"', '\\"') + '"'
        words += f".{word}" if words else word
    return words


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text.replace("\r\n", "\n")  # as tomllib does
        self._at = 0
        self._breaks = [match.start() for match in re.finditer("\n", self._text)]
        self._lines: dict[KeyPath, int] = {}
        self._implied: set[KeyPath] = set()
        self._lengths: dict[KeyPath, int] = {}  # of arrays of tables

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while True:
            self._skip(_GAP)
            if self._at >= len(self._text):
                return self._lines
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        assert match is not None, "only text that tomllib accepts is scanned"
        self._at = match.end()
        return match[0]

    def _record(self, path: KeyPath, start: int, *, implied: bool = False) -> None:
        line = bisect.bisect_left(self._breaks, start) + 1
        if path not in self._lines or (path in self._implied and not implied):
            self._lines[path] = line
            (self._implied.add if implied else self._implied.discard)(path)

    def _key(self) -> Iterator[str]:
        """The parts of a dotted key, leaving the place behind it."""
        while True:
            self._skip(_BLANK)
            quote = self._text[self._at]
            if quote == '"':
                yield _unescape(self._skip(_BASIC)[1:-1])
            elif quote == "'":
                yield self._skip(_LITERAL)[1:-1]
            else:
                yield self._skip(_BARE_KEY)
            self._skip(_BLANK)
            if not self._text.startswith(".", self._at):
                return
            self._at += 1

    def _header(self) -> KeyPath:
        start = self._at
        array = self._text.startswith("[[", start)
        self._at += 2 if array else 1
        *parents, last = self._key()
        self._at += 2 if array else 1
        path: KeyPath = ()
        for part in parents:
            path += (part,)
            self._record(path, start, implied=True)
            if path in self._lengths:  # a header below an array of tables means its last element
                path += (self._lengths[path] - 1,)
        path += (last,)
        self._record(path, start)
        if array:
            index = self._lengths.get(path, 0)
            self._lengths[path] = index + 1
            path += (index,)
            self._record(path, start)
        return path

    def _pair(self, table: KeyPath) -> None:
        start = self._at
        *parents, last = self._key()
        path = table
        for part in parents:
            path += (part,)
            self._record(path, start, implied=True)
        path += (last,)
        self._record(path, start)
        self._at += 1  # the equals sign
        self._skip(_BLANK)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        text, at = self._text, self._at
        if text.startswith('"""', at):
            self._skip(_LONG_BASIC)
        elif text.startswith("'''", at):
            self._skip(_LONG_LITERAL)
        elif text[at] == '"':
            self._skip(_BASIC)
        elif text[at] == "'":
            self._skip(_LITERAL)
        elif text[at] == "[":
            self._items(path, "]")
        elif text[at] == "{":
            self._items(path, "}")
        else:
            self._skip(_SCALAR)

    def _items(self, path: KeyPath, close: str) -> None:
        self._at += 1
        index = 0
        while True:
            self._skip(_GAP)
            if self._text[self._at] == close:
                self._at += 1
                return
            if self._text[self._at] == ",":
                self._at += 1
            elif close == "}":
                self._pair(path)
            else:
                self._record((*path, index), self._at)
                self._value((*path, index))
                index += 1


def _unescape(text: str) -> str:
    def one(match: re.Match[str]) -> str:
        digits = match[1] or match[2] or match[3]
        return chr(int(digits, 16)) if digits else _SHORT[match[4]]

    return _ESCAPE.sub(one, text)
