"""pydantic's errors in the words of the files: key path, what is wrong, what is allowed, nearest name.

What is allowed at a place is looked up in the model's own JSON Schema, so that it is true for rule kinds of any author.
"""

import json
import re
from collections.abc import Mapping
from functools import cache
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from .faults import Place
from .toml_lines import KeyPath

Model = TypeVar("Model", bound=BaseModel)

_QUOTED = re.compile(r"'([^']*)'")
_EXPECTED = {
    "string_type": "text in quotes is expected",
    "int_type": "a whole number is expected",
    "int_from_float": "a whole number is expected",
    "float_type": "a number without quotes is expected",
    "finite_number": "a finite number is expected",
    "bool_type": "true or false is expected",
    "list_type": "a list in square brackets is expected",
    "tuple_type": "a list in square brackets is expected",
    "dict_type": "a table is expected",
    "model_type": "a table is expected",
    "model_attributes_type": "a table is expected",
}


def validate(model: type[Model], place: Place, path: KeyPath, table: object) -> Model | None:
    """Validate what stands at `path` in a file. None, with every fault reported, when it does not fit."""
    try:
        # as JSON, because pydantic's strict mode takes lists for tuples there only, and TOML knows nothing but lists
        return model.model_validate_json(json.dumps(table))
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            where, wrong, allowed, meant = explain(model, table, detail)
            place.fault(path + where, wrong, allowed, meant)
        return None


def salvage(model: type[Model], table: Mapping[str, Any], stand_ins: Mapping[str, Any]) -> Model | None:
    """What is good of a refused table, so that it can be checked against others all the same: bad keys are taken out.

    `stand_ins` are values for keys that must stand there. None when there is nothing to save.
    """
    try:
        return model.model_validate_json(json.dumps({**stand_ins, **table}))
    except ValidationError as error:
        bad = {detail["loc"][0] for detail in error.errors(include_url=False) if detail["loc"]}
    try:
        return model.model_validate_json(json.dumps({**stand_ins, **{key: table[key] for key in table if key not in bad}}))
    except ValidationError:
        return None


def explain(model: type[BaseModel], table: object, detail: ErrorDetails) -> tuple[KeyPath, str, tuple[str, ...], str | None]:
    """Key path within the table, what is wrong, what is allowed, and the name that was written (None when it was no name)."""
    where = _without_tags(table, detail["loc"])
    kind, given = detail["type"], detail["input"]
    here, around = _schema_at(model, table, where), _schema_at(model, table, where[:-1])
    context: Mapping[str, Any] = detail.get("ctx", {})
    if kind == "extra_forbidden":
        return where, "there is no such key", tuple(around.get("properties", ())), str(where[-1])
    if kind == "missing":
        return where, f"the key is missing{_hint(here)}", _values(here), None
    if kind in ("literal_error", "enum"):
        return (
            where,
            f"{_shown(given)} is not one of them",
            _values(here) or tuple(_QUOTED.findall(context["expected"])),
            str(given),
        )
    if kind == "union_tag_invalid":
        allowed = tuple(word.strip().strip("'") for word in context["expected_tags"].split(","))
        return (*where, _bare(context)), f"{context['tag']!r} is not one of them", allowed, context["tag"]
    if kind == "union_tag_not_found":
        return (*where, _bare(context)), "the key is missing", (), None
    if kind == "value_error":
        return where, str(context["error"]), (), None
    if kind in _EXPECTED:
        return where, f"{_EXPECTED[kind]}, not {_shown(given)}{_hint(here)}", _values(here), None
    return where, f"{_sentence(detail['msg'])}, not {_shown(given)}{_hint(here)}", _values(here), None


def _bare(context: Mapping[str, Any]) -> str:
    return str(context["discriminator"]).strip("'")


def _sentence(message: str) -> str:
    return message.replace("Input should", "the value should").replace("String should", "the text should")


def _shown(value: object) -> str:
    """A value as it would stand in the file, cut short."""
    text = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value).replace("'", '"')
    return text if len(text) <= 60 else text[:57] + "…"


def _hint(schema: Mapping[str, Any]) -> str:
    examples = schema.get("examples", ())
    return f', such as "{examples[0]}"' if examples else ""


def _values(schema: Mapping[str, Any]) -> tuple[str, ...]:
    if "const" in schema:
        return (str(schema["const"]),)
    return tuple(str(value) for value in schema.get("enum", ()))


def _without_tags(table: object, loc: tuple[int | str, ...]) -> KeyPath:
    """The key path in the file: pydantic puts the tag of a discriminated union into its `loc`, and no key stands for it."""
    path: KeyPath = ()
    for part in loc:
        if isinstance(table, Mapping) and part not in table and part in (table.get("protocol"), table.get("kind")):
            continue
        if isinstance(part, int) and not isinstance(table, list):
            continue  # one value, which the model made a list of
        path += (part,)
        if isinstance(table, Mapping):
            table = table.get(part)
        elif isinstance(table, list) and isinstance(part, int) and part < len(table):
            table = table[part]
        else:
            table = None
    return path


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema(by_alias=True)


def _schema_at(model: type[BaseModel], table: object, path: KeyPath) -> dict[str, Any]:
    """The part of the schema that speaks of a place ({} when it says nothing)."""
    root = _schema(model)
    here = _resolved(root, root, table)
    for part in path:
        inner: Any = None
        if isinstance(table, Mapping):
            inner = table.get(part)
        elif isinstance(table, list) and isinstance(part, int) and part < len(table):
            inner = table[part]
        table = inner
        if isinstance(part, int):
            found = here.get("items", {})
        else:
            rest = next(iter(here.get("patternProperties", {}).values()), here.get("additionalProperties", {}))
            found = here.get("properties", {}).get(part, rest)
        here = _resolved(root, found if isinstance(found, dict) else {}, table)
    return here


def _resolved(root: dict[str, Any], schema: dict[str, Any], table: object) -> dict[str, Any]:
    """Follow references, and of alternatives take the one that the table's tag picks, else the first that is not null."""
    while True:
        if "$ref" in schema:
            rest = {key: value for key, value in schema.items() if key != "$ref"}
            schema = {**root["$defs"][schema["$ref"].removeprefix("#/$defs/")], **rest}
        elif "discriminator" in schema:
            rule = schema["discriminator"]
            tag = table.get(rule["propertyName"]) if isinstance(table, Mapping) else None
            if tag not in rule["mapping"]:
                return {}
            schema = {"$ref": rule["mapping"][tag]}
        elif "anyOf" in schema:
            rest = {key: value for key, value in schema.items() if key != "anyOf"}
            choices = [choice for choice in schema["anyOf"] if choice.get("type") != "null"]
            tables = [choice for choice in choices if "$ref" in choice or choice.get("type") == "object"]
            wanted = tables if isinstance(table, Mapping) and tables else choices
            schema = {**(wanted[0] if wanted else {}), **rest}
        else:
            return schema
