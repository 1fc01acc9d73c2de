"""JSON Schema of line, product and rule files, made from the models: editors complete and check with it."""

from typing import Any

from .models import LineFile, ProductFile
from .rule_sets import Kinds, known_kinds
from .table import is_identifier

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_LIST = {"type": "array", "items": {"type": "string"}, "minItems": 1}
_NAME = {"pattern": "^[a-z0-9_-]+$"}


def schemas(kinds: Kinds | None = None) -> dict[str, dict[str, Any]]:
    """Schemas by kind of file: ``line``, ``product``, ``rules``. `kinds`: the rule kinds, those of this installation if None."""
    return {
        "line": _tidy({"$schema": _DIALECT, **LineFile.model_json_schema()}),
        "product": _tidy({"$schema": _DIALECT, **ProductFile.model_json_schema()}),
        "rules": _rules(known_kinds() if kinds is None else kinds),
    }


_FOR_EACH = {
    "type": "object",
    "description": "One placeholder and its words: a rule is made for each.",
    "additionalProperties": {"type": "array", "items": {"type": "string"}, "minItems": 1},
    "minProperties": 1,
    "maxProperties": 1,
}


def _rules(kinds: Kinds) -> dict[str, Any]:
    """One definition per kind, picked by the key `kind`."""
    definitions: dict[str, Any] = {}
    choices: list[dict[str, Any]] = []
    for kind, settings in sorted(kinds.items()):
        assert is_identifier(kind)
        schema = settings.model_json_schema(by_alias=True, ref_template=f"#/$defs/{kind}.{{model}}")
        for name, inner in schema.pop("$defs", {}).items():
            definitions[f"{kind}.{name}"] = _tidy(inner)
        schema["properties"]["kind"] = {"const": kind}
        schema["properties"]["for_each"] = _FOR_EACH
        definitions[kind] = _tidy(schema)
        choices.append({"if": {"properties": {"kind": {"const": kind}}}, "then": {"$ref": f"#/$defs/{kind}"}})
    rule = {"type": "object", "properties": {"kind": {"enum": sorted(kinds)}}, "required": ["kind"], "allOf": choices}
    return {
        "$schema": _DIALECT,
        "title": "RuleFile",
        "description": "A rule set.",
        "type": "object",
        "properties": {
            "format": {"const": 1},
            "rule": {"type": "object", "propertyNames": _NAME, "additionalProperties": rule},
        },
        "required": ["format", "rule"],
        "additionalProperties": False,
        "$defs": definitions,
    }


def _tidy(schema: Any) -> Any:
    """Take out what TOML has not (null), titles that repeat the key, and defaults in the program's own units."""
    if isinstance(schema, list):
        return [_tidy(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    if schema.get("type") == "array" and schema.get("minLength") == 1:
        # the `Tags` of rule kinds: a list, or one tag as plain text, which the model turns into a list before it looks at the
        # length; pydantic then writes the least length as one of text
        return {"anyOf": [{"type": "string"}, _LIST]}
    dropped = ("default",) if "properties" in schema else ("default", "title")
    tidy = {key: _tidy(value) for key, value in schema.items() if key not in dropped}
    if "patternProperties" in tidy:
        tidy["additionalProperties"] = False
    if "anyOf" in tidy:
        choices = [choice for choice in tidy["anyOf"] if choice != {"type": "null"}]
        if len(choices) == 1:
            tidy = {**choices[0], **{key: value for key, value in tidy.items() if key != "anyOf"}}
        else:
            tidy["anyOf"] = choices
    return tidy
