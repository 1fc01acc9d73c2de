"""Expressions of `when` and `condition`, in the Common Expression Language (CEL, https://cel.dev).

They are compiled once and dry-run at load against typed samples of everything they name, because the library finds an unknown name
or a mixture of whole and decimal numbers only when the branch that holds it is executed. Variables:

``stopped threading ramping producing`` booleans · ``speed`` m/min · ``value["station.tag"]`` a decimal number, absent while the tag
has no good or uncertain reading · ``quality["station.tag"]`` ``"good"``, ``"uncertain"`` or ``"bad"`` · ``alarm["rule.limit"]`` boolean.
"""

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from typing import Any, get_args

import cel
import msgspec

from ..readings import BAD, Tag
from .contract import Site, State, View

STATES: tuple[State, ...] = get_args(State)
_MAPS = ("value", "quality", "alarm")
_NAMES = (*STATES, "speed", *_MAPS)
_TOKEN = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'(?:[^'\\]|\\.)*'|\w+|\S")
_MACRO = re.compile(r"\.\s*(?:all|exists|exists_one|map|filter)\s*\(\s*(\w+)\s*,")
_ERRORS = (ValueError, TypeError, RuntimeError, KeyError, ArithmeticError, IndexError)
_SPEEDS = (0.0, 80.0)


class Named(msgspec.Struct, frozen=True):
    """What an expression names: tags (in order of appearance) and alarms; `wrong` are the sentences about what it must not do."""

    tags: tuple[str, ...]
    alarms: tuple[str, ...]
    wrong: tuple[str, ...]


def named(text: str) -> Named:
    """Find the tags and alarms an expression names, without evaluating it."""
    words = _TOKEN.findall(text)
    found: dict[str, list[str]] = {"tags": [], "alarms": []}
    wrong: list[str] = []
    for i, word in enumerate(words):
        if word not in _MAPS or (i and words[i - 1] == "."):
            continue
        key = ""
        if len(words) > i + 3 and words[i + 1] == "[" and words[i + 3] == "]":
            key = words[i + 2]
        elif i > 1 and words[i - 1] == "in":
            key = words[i - 2]
        if len(key) < 2 or key[0] not in "\"'":
            example = "rule.limit" if word == "alarm" else "station.tag"
            wrong.append(f'write {word}["{example}"] with the name in quotes')
            continue
        names = found["alarms" if word == "alarm" else "tags"]
        if key[1:-1] not in names:
            names.append(key[1:-1])
    return Named(tuple(found["tags"]), tuple(found["alarms"]), tuple(wrong))


class Expression:
    """A compiled expression. `answer` gives True, False or None (not known: a value it needs is bad or absent)."""

    __slots__ = ("_program", "_uses", "alarms", "fault", "faults", "tags", "text")

    def __init__(self, text: str, program: Any, names: Named) -> None:
        self.text = text
        self._program = program
        self._uses = frozenset(program.variables())
        self.tags = names.tags
        self.alarms = names.alarms
        self.faults = 0
        self.fault = ""

    def answer(self, state: State, view: View) -> bool | None:
        """Evaluate against the line as it is now, with `state` as line state. Never raises: an error is counted in `faults`."""
        variables: dict[str, Any] = {name: name == state for name in STATES}
        doubt = False
        if self.tags:
            values, qualities = {}, {}
            for tag in self.tags:
                m = view.last(tag)
                if m is None or m.quality is BAD or not math.isfinite(m.value):
                    doubt = True
                    qualities[tag] = "bad"
                else:
                    values[tag] = float(m.value)
                    qualities[tag] = m.quality.word
            variables["value"] = values
            variables["quality"] = qualities
        if self.alarms:
            variables["alarm"] = {alarm: view.active(alarm) for alarm in self.alarms}
        if "speed" in self._uses:
            variables["speed"] = view.speed * 60.0
        try:
            result = self._program.execute(variables)
        except _ERRORS as error:
            if not (doubt and isinstance(error, KeyError)):
                self.faults += 1
                self.fault = _sentence(error)
            return None
        if not isinstance(result, bool):
            self.faults += 1
            self.fault = f"it gave {result!r}, not true or false"
            return None
        return result


class When:
    """A compiled `when`. An expression of line states alone is worked out at load, once per state."""

    __slots__ = ("_expression", "alarms", "tags", "text", "when_states")

    def __init__(self, expression: Expression, when_states: frozenset[State] | None) -> None:
        self._expression = expression
        self.text = expression.text
        self.tags = expression.tags
        self.alarms = expression.alarms
        self.when_states = when_states

    @property
    def faults(self) -> int:
        """Evaluations that failed since the start."""
        return self._expression.faults

    def states(self) -> frozenset[State] | None:
        """The states in which it holds, or None when it looks at more than the line state."""
        return self.when_states

    def holds(self, state: State, view: View) -> bool:
        """Whether the rule is to be judged. When that cannot be known, it is: doubt must not silence a rule."""
        if self.when_states is not None:
            return state in self.when_states
        return self._expression.answer(state, view) is not False


def compile_expression(text: str, site: Site, key: str) -> Expression | None:
    """Compile and dry-run. Whatever is wrong goes to `site.fail` under `key`, and the result is None."""
    try:
        program = cel.compile(text)
    except ValueError as error:
        site.fail(key, f"{text!r} is no CEL expression: {_sentence(error)}; write such as: producing && !threading")
        return None
    names = named(text)
    right = True
    bound = set(_MACRO.findall(text))
    for name in program.variables():
        if name not in _NAMES and name not in bound:
            right = False
            site.fail(key, f"{name!r} is not known in an expression", _NAMES)
    for sentence in names.wrong:
        right = False
        site.fail(key, sentence)
    for tag in names.tags:
        if tag not in site.tags:
            right = False
            site.fail(key, f"there is no tag {tag!r}", sorted(site.tags))
    for alarm in names.alarms:
        if alarm.count(".") != 1:
            right = False
            site.fail(key, f"{alarm!r} names no alarm; an alarm is written rule.limit, such as cold-diameter.high")
    if not right:
        return None
    wrong = _dry_run(program, names, [site.tags[tag] for tag in names.tags])
    if wrong:
        site.fail(key, wrong)
        return None
    return Expression(text, program, names)


def compile_when(text: str, site: Site, key: str) -> When | None:
    """Compile a `when`; None when it does not fit, after telling `site.fail`."""
    expression = compile_expression(text, site, key)
    if expression is None:
        return None
    if set(expression._uses) - set(STATES):
        return When(expression, None)
    program = expression._program
    return When(expression, frozenset(state for state in STATES if program.execute({name: name == state for name in STATES})))


def _samples(tags: Sequence[Tag]) -> Iterator[dict[str, float]]:
    """Values a tag may take: a few all tags share, and the ends of their valid ranges."""
    for number in (0.0, 1.0, -1.0, 1e6):
        yield {tag.name: number for tag in tags}
    for end in ("valid_low", "valid_high"):
        ends = {tag.name: float(getattr(tag, end)) for tag in tags}
        yield {name: value if math.isfinite(value) else 0.5 for name, value in ends.items()}


def _dry_run(program: Any, names: Named, tags: Sequence[Tag]) -> str:
    """Execute with every combination of samples; a sentence about the first that fails, or ""."""
    for state, values, quality, active, speed in itertools.product(
        STATES, _samples(tags) if tags else ({},), ("good", "uncertain", "bad") if tags else ("good",), (False, True), _SPEEDS
    ):
        variables: dict[str, Any] = {name: name == state for name in STATES}
        variables["speed"] = speed
        variables["value"] = values if quality != "bad" else {}
        variables["quality"] = dict.fromkeys(names.tags, quality)
        variables["alarm"] = dict.fromkeys(names.alarms, active)
        try:
            result = program.execute(variables)
        except KeyError as error:
            if quality == "bad":
                continue  # a bad value is absent: the state is held then
            return f"it fails while {state}: {_sentence(error)}"
        except _ERRORS as error:
            return (
                f"it fails while {state}: {_sentence(error)}; values and speed are decimal numbers: write 2.0, not 2, in sums"
            )
        if not isinstance(result, bool):
            return f"it gives {result!r} while {state}; an expression must give true or false"
    return ""


def _sentence(error: BaseException) -> str:
    """The first line of what the library says, without its position drawing."""
    text = str(error.args[0] if error.args else error).splitlines()[0]
    return text.partition("ERROR: <input>:")[2].partition(" ")[2] or text
