"""Rule files: found, read, validated kind by kind, and built once against the line so that everything that does not fit is told."""

import contextlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from ..line.builtin import RESERVED, built_in
from ..line.plan import LinePlan
from ..readings.units import Extent
from ..rules.contract import LimitText, RuleSettings
from .document import Document, read_document
from .explain import validate
from .faults import Place
from .lookup import Lookup
from .overrides import OVERRIDE, Overlaid, merged, overrides_of
from .pieces import Pieces
from .repeat import FOR_EACH, repeated, word_path
from .shipped import shipped_rules
from .site import PlanSite
from .table import IDENTIFIER_FORM, is_identifier
from .toml_lines import KeyPath

Kinds = Mapping[str, type[RuleSettings]]


@dataclass(frozen=True)
class WrittenRule:
    """A rule as written, with its place."""

    name: str
    settings: RuleSettings
    place: Overlaid
    table: Mapping[str, Any]

    def fault(self, path: KeyPath, wrong: str, allowed: Iterable[str] = (), meant: str | None = None) -> None:
        """Report a fault at a key path within the rule's table."""
        self.place.fault(path, wrong, allowed, meant)


@dataclass(frozen=True)
class Home:
    """Where a rule's name comes from: its table, and the word where the table makes a series."""

    document: Document
    table: str
    word: str | None = None

    def __str__(self) -> str:
        where = f"{self.document.path}, line {self.document.line_of(('rule', self.table))}"
        return where if self.word is None else f'{where}, made by for_each of {self.table} with "{self.word}"'


Homes = dict[str, Home]


def known_kinds() -> Kinds:
    """The kinds of this installation."""
    from ..rules.kinds import KINDS  # here, because kinds bring the expression compiler with them

    return KINDS


def find_rule_file(name: str, line_file: Path, rules_dirs: Sequence[Path]) -> Path | None:
    """A rule file by name: in `rules_dirs`, beside the line file, in ``../rules``, then in the shipped sets."""
    folder = line_file.parent
    places = [*rules_dirs, folder, folder.parent / "rules"]
    with contextlib.suppress(FileNotFoundError):
        places.append(shipped_rules())
    return next((place / name for place in places if (place / name).is_file()), None)


def read_rules(pieces: Pieces, rules_dirs: Sequence[Path], kinds: Kinds) -> tuple[list[WrittenRule], set[str]]:
    """The good rules of all files that the line names, and the names of those that were refused."""
    written: list[WrittenRule] = []
    refused: set[str] = set()
    homes: Homes = {}
    overrides = overrides_of(pieces.document)
    for index, name in enumerate(pieces.named_files("rules")):
        path = find_rule_file(name, pieces.document.path, rules_dirs)
        where: KeyPath = (
            ("line", "rules", index) if isinstance(pieces.document.data["line"]["rules"], list) else ("line", "rules")
        )
        if path is None:
            pieces.document.fault(
                where,
                f"no rule file {name} beside the line file, in ../rules, or shipped",
                _rule_files(pieces),
                name,
            )
            continue
        if path in pieces.files:
            pieces.document.fault(where, f"{name} stands twice")
            continue
        pieces.files.append(path)
        document = read_document(path, pieces.document.faults)
        if document is not None:
            _read_file(document, kinds, homes, written, refused, pieces.document, overrides)
    for name in overrides:
        home = homes.get(name)
        tables = sorted({home.table for home in homes.values()})
        if home is None:
            pieces.document.fault((OVERRIDE, name), f'there is no rule "{name}" to override', tables, name)
        elif home.table != name:
            pieces.document.fault(
                (OVERRIDE, name), f"this rule is made by for_each; override {home.table}, which changes all that it makes"
            )
    return written, refused


def _rule_files(pieces: Pieces) -> list[str]:
    folder = pieces.document.path.parent
    places = [folder.parent / "rules"]
    with contextlib.suppress(FileNotFoundError):
        places.append(shipped_rules())
    return sorted({path.name for place in places for path in place.glob("*.toml")})


def _read_file(
    document: Document,
    kinds: Kinds,
    homes: Homes,
    written: list[WrittenRule],
    refused: set[str],
    line: Document,
    overrides: Mapping[str, Mapping[str, Any]],
) -> None:
    for key in document.data:
        if key not in ("format", "rule"):
            document.fault((key,), "there is no such table or key in a rule file", ["format", "rule"], key)
    tables = document.data.get("rule", {})
    if not isinstance(tables, dict):
        document.fault(("rule",), "tables [rule.NAME] are expected")
        return
    if not tables and "rule" not in document.data:
        document.fault((), "the file holds no rule; write tables [rule.NAME]")
    for name, table in tables.items():
        path = ("rule", name)
        if not is_identifier(name):
            document.fault(path, f'"{name}" is no identifier; names are made of {IDENTIFIER_FORM}')
        if name in homes:
            document.fault(path, f"a rule {name} stands in {homes[name]} already; rename one of them")
            continue
        homes[name] = Home(document, name)
        over = overrides.get(name, {})
        place = Overlaid(document, name, line, over)
        if not isinstance(table, dict):
            document.fault(path, "a table is expected")
            refused.add(name)
            continue
        whole = merged(table, over)
        made = repeated(place, path, name, whole)
        if not made:
            refused.add(name)
        known = len(document.faults)
        for index, (each, filled) in enumerate(made):
            if each != name:
                word = word_path(whole, index)
                if each in homes:
                    wrong = f"the rule {each} that is made here stands in {homes[each]} already; rename one of them"
                    place.fault((*path, *word), wrong)
                    known = len(document.faults)
                    continue
                homes[each] = Home(document, name, whole[FOR_EACH][word[1]][index])
            settings = _settings(place, path, filled, kinds)
            if settings is None:
                refused.update((name, each))
                if len(document.faults) > known:
                    break  # what is wrong with one of a series is wrong with all
            else:
                written.append(WrittenRule(each, settings, place, filled))


def _settings(document: Place, path: KeyPath, table: Mapping[str, Any], kinds: Kinds) -> RuleSettings | None:
    kind = table.get("kind")
    if kind is None:
        document.fault(path, "the key kind is missing: it says what the rule watches for", sorted(kinds))
        return None
    if not isinstance(kind, str) or kind not in kinds:
        document.fault((*path, "kind"), f"there is no kind {kind!r}", sorted(kinds), str(kind))
        return None
    return validate(kinds[kind], document, path, table)


def alarms_of(written: Sequence[WrittenRule]) -> list[str]:
    """Ids of all alarms, ``<rule>.<limit>``."""
    alarms: list[str] = []
    for rule in written:
        alarms.extend(f"{rule.name}.{limit}" for limit in rule.settings.limits())
        if rule.settings.blind is not None:
            alarms.append(f"{rule.name}.blind")
    return alarms


def check_rules(
    written: Sequence[WrittenRule], refused: set[str], pieces: Pieces, lookup: Lookup, plan: LinePlan | None
) -> None:
    """Report what does not fit between the rules and the line, and among the rules. `plan` None: the line itself is refused."""
    endpoints = pieces.document.data.get("endpoint")
    own = [b.alarm for b in built_in(tuple(endpoints) if isinstance(endpoints, dict) else ())]
    alarms = alarms_of(written) + own
    by_name = {rule.name: rule.settings for rule in written}
    for rule in written:
        if rule.name in RESERVED:
            rule.fault((), f'"{rule.name}" is a name of the built-in alarms ({", ".join(RESERVED)}); call the rule otherwise')
        unknown = _check_tags(rule, lookup)
        if rule.settings.hold_off is not None and not lookup.known(rule.settings.hold_off.after_change_of):
            lookup.tag(rule.settings.hold_off.after_change_of, rule, ("hold_off", "after_change_of"))
        _check_lengths(rule, has_axis="length" in pieces.document.data)
        _check_named_alarms(rule, alarms, refused)
        _check_counted(rule, by_name, refused)
        _check_responses(rule)
        if plan is not None:
            _build(rule, plan, lookup, unknown)
    _check_circles(written)


def _check_tags(rule: WrittenRule, lookup: Lookup) -> set[KeyPath]:
    """Key paths of unknown tags. A tag that stands nowhere in the table (one inside an expression) is told at the rule."""
    unknown: set[KeyPath] = set()
    for name in dict.fromkeys(rule.settings.tags()):
        if lookup.known(name):
            continue
        for path in list(_places_of(rule.table, name)) or [()]:
            unknown.add(path)
            lookup.unknown_tag(name, rule, path)
    return unknown


def _places_of(table: object, text: str, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Where a text stands in a table: as the whole value, or quoted inside an expression."""
    if isinstance(table, str) and (table == text or f'"{text}"' in table or f"'{text}'" in table):
        yield path
    elif isinstance(table, Mapping):
        for key, value in table.items():
            yield from _places_of(value, text, (*path, key))
    elif isinstance(table, list):
        for index, value in enumerate(table):
            yield from _places_of(value, text, (*path, index))


def _check_lengths(rule: WrittenRule, *, has_axis: bool) -> None:
    for path, extent in () if has_axis else _extents(rule.settings):
        if extent.is_length:
            rule.fault(path, f"{extent} is a length, and the line has no [length] table; write a time, such as 30 s")


def _extents(value: object, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Extent]]:
    if isinstance(value, Extent):
        yield path, value
    elif isinstance(value, BaseModel):
        for name, field in type(value).model_fields.items():
            yield from _extents(getattr(value, name), (*path, field.alias or name))
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _extents(inner, (*path, key))
    elif isinstance(value, list | tuple):
        for index, inner in enumerate(value):
            yield from _extents(inner, (*path, index))


def _check_named_alarms(rule: WrittenRule, alarms: Sequence[str], refused: set[str]) -> None:
    named: list[tuple[KeyPath, str]] = [(("because_of", index), alarm) for index, alarm in enumerate(rule.settings.because_of)]
    for key in ("when", "when_now", "expression"):
        text = getattr(rule.settings, key, None)
        if isinstance(text, str):
            from ..rules.expressions import named as names_in

            named.extend(((key,), alarm) for alarm in names_in(text).alarms)
    for path, alarm in named:
        if alarm not in alarms and not _follows(alarm.partition(".")[0], refused):
            rule.fault(path, f'there is no alarm "{alarm}"; an alarm is written rule.limit', alarms, alarm)


def _check_counted(rule: WrittenRule, by_name: Mapping[str, RuleSettings], refused: set[str]) -> None:
    """What a rule counts must be told by the rule it names: that must be a flaw rule, and able to come to that verdict."""
    counts = getattr(rule.settings, "counts", None)
    counted = getattr(counts, "flaw", None)
    if not isinstance(counted, str) or _follows(counted, refused):
        return
    flaws = [name for name, settings in by_name.items() if settings.kind == "flaw"]
    flaw = by_name.get(counted)
    if flaw is None:
        rule.fault(("counts", "flaw"), f'there is no rule "{counted}"', flaws or list(by_name), counted)
    elif flaw.kind != "flaw":
        rule.fault(("counts", "flaw"), f"{counted} is of kind {flaw.kind} and tells no flaws; name a rule of kind flaw", flaws)
    else:
        witnessed = ["drop", "unwitnessed"] if getattr(flaw, "witness", None) is not None else []
        verdicts = [str(getattr(flaw, "direction", "")), *witnessed, "any"]
        verdict = str(getattr(counts, "verdict", "any"))
        if verdict not in verdicts:
            why = "has no witness" if verdict in ("drop", "unwitnessed") else f"looks for a {verdicts[0]}"
            rule.fault(("counts", "verdict"), f'{counted} {why} and never says "{verdict}"', verdicts)


def _check_responses(rule: WrittenRule) -> None:
    """A critical alarm that does not say what to do about it is refused; of lesser ones `check` warns."""
    limits: dict[str, LimitText] = rule.settings.limits()
    if rule.settings.blind is not None:
        limits = {**limits, "blind": rule.settings.blind}
    for limit, text in limits.items():
        if text.priority == "critical" and not text.response.strip():
            path: KeyPath = (limit, "response") if isinstance(rule.table.get(limit), Mapping) else ("response",)
            rule.fault(path, f"{rule.name}.{limit} is critical and says nothing of what to do; write the response")


def _follows(name: str, refused: set[str]) -> bool:
    """Whether a rule is missing because it, or the series that would make it, was refused."""
    return any(name == other or name.startswith(f"{other}-") for other in refused)


def _check_circles(written: Sequence[WrittenRule]) -> None:
    """An alarm that explains itself, by whatever way, would never be heard."""
    explains = {rule.name: [alarm.partition(".")[0] for alarm in rule.settings.because_of] for rule in written}
    told: set[str] = set()
    for rule in written:
        stack = [(rule.name, [rule.name])]
        seen: set[str] = set()
        while stack:
            name, way = stack.pop()
            for other in explains.get(name, ()):
                if other == rule.name and told.isdisjoint(way):
                    told.update(way)
                    rule.fault(
                        ("because_of",),
                        f"explained in a circle: {' ← '.join([*way, other])}; these alarms would hide each other",
                    )
                elif other not in seen:
                    seen.add(other)
                    stack.append((other, [*way, other]))


def _build(rule: WrittenRule, plan: LinePlan, lookup: Lookup, unknown: set[KeyPath]) -> None:
    """Build the rule once, and its conditions, and report whatever they refuse."""

    def report(key: str, wrong: str, allowed: Sequence[str]) -> None:
        path = _split(key)
        follows = any(path == place[: len(path)] for place in unknown) and path != ()
        if not follows and not _names_broken(_value_at(rule.table, path), lookup.broken):
            meant = _value_at(rule.table, path)
            rule.fault(path, wrong, tuple(allowed), meant if isinstance(meant, str) and allowed else None)

    site = PlanSite(plan, report)
    # a rule that reads an unknown tag has been refused already; what it trips over then is no news
    with contextlib.suppress(Exception) if unknown or _names_broken(rule.table, lookup.broken) else contextlib.nullcontext():
        rule.settings.build(rule.name, site)
    for key in ("when", "when_now"):
        text = getattr(rule.settings, key)
        if text is not None:
            from ..rules.expressions import compile_when

            compile_when(text, site, key)


def _split(key: str) -> KeyPath:
    """``witness.reads[0]`` as a key path."""
    path: KeyPath = ()
    for word in key.replace("[", ".").replace("]", "").split("."):
        if word:
            path += (int(word) if word.isdigit() else word,)
    return path


def _value_at(table: Any, path: KeyPath) -> Any:
    for part in path:
        try:
            table = table[part]
        except (KeyError, IndexError, TypeError):
            return None
    return table


def _names_broken(value: Any, broken: set[str]) -> bool:
    return any(True for name in broken for _ in _places_of(value, name))
