"""JSON Schemas and the AsyncAPI document of everything that is published, made from the models that are encoded (pure)."""

from typing import Any

import msgspec

from ..events import EVENT_KINDS, AlarmState, ReelSummary, Rollup
from .cloudevents import CONTENT_TYPE, Envelope, event_type
from .payloads import ReadingPayload, StatePayload

DIALECT = "https://json-schema.org/draft/2020-12/schema"
BASE = "urn:metrepost:schema:v1:"

PLAIN: dict[str, type[Any]] = {"alarm": AlarmState, "reel": ReelSummary, "state": StatePayload, "reading": ReadingPayload}
"""Payloads that are published as they are, by schema name."""


def _standalone(name: str, model: type[Any]) -> dict[str, Any]:
    (root,), parts = msgspec.json.schema_components([model], ref_template="#/$defs/{name}")
    return {"$schema": DIALECT, "$id": BASE + name, **root, "$defs": parts}


def _row(name: str, model: type[Any], what: str) -> dict[str, Any]:
    """A whole CloudEvent: the envelope, with its type fixed and its data spelt out."""
    (envelope, data), parts = msgspec.json.schema_components([Envelope, model], ref_template="#/$defs/{name}")
    return {
        "$schema": DIALECT,
        "$id": BASE + name,
        "description": (model.__doc__ or "").partition("\n")[0],
        "allOf": [envelope, {"properties": {"type": {"const": event_type(what)}, "data": data}}],
        "$defs": parts,
    }


def schemas() -> dict[str, dict[str, Any]]:
    """JSON Schema (2020-12) of each payload by name: ``event.<kind>`` and ``rollup`` are whole CloudEvents; ``alarm``, ``reel``,
    ``state`` and ``reading`` plain payloads; ``cloudevent`` is the envelope alone.
    """
    made = {f"event.{kind.kind}": _row(f"event.{kind.kind}", kind, kind.kind) for kind in EVENT_KINDS}
    made["rollup"] = _row("rollup", Rollup, "rollup")
    made |= {name: _standalone(name, model) for name, model in PLAIN.items()}
    made["cloudevent"] = _standalone("cloudevent", Envelope)
    return made


def schema_of(topic: str) -> str:
    """The name of the schema of a topic below the root. Raises KeyError for a topic that has none."""
    first, _, rest = topic.partition("/")
    if first == "event":
        return f"event.{rest}"
    if first in {"rollup", *PLAIN}:
        return first
    raise KeyError(topic)


_ROOT = "metrepost/v1/{plant}/{area}/{line}/"
_WORDS = {
    "plant": "Plant, as in the line file.",
    "area": "Area, or `-`.",
    "line": "Line.",
    "span": "Span of the rollup, such as 10s, 1min, 100m, 1km or reel.",
    "station": "Station.",
    "tag": "Tag of that station.",
    "rule": "Rule.",
    "limit": "Limit of that rule.",
    "which": "current or last.",
}
# address below the root: (schema, QoS, retained, what it is)
_CHANNELS: dict[str, tuple[str, int, bool, str]] = {
    "state": ("state", 1, True, "The daemon and its endpoints. The will of the connection is `online: false`."),
    "reading/{station}/{tag}": ("reading", 0, False, "Readings, sent on change. A hole in `n` is a loss."),
    "rollup/{span}/{station}/{tag}": ("rollup", 1, False, "Statistics over a span of time, length or a reel."),
    "alarm/{rule}/{limit}": ("alarm", 1, True, "The present state of an alarm; empty when the rule is gone."),
    "reel/{which}": ("reel", 1, True, "The reel record in short."),
}


def _references(schema: Any, name: str) -> Any:
    """A schema with its own parts moved below ``components/schemas``."""
    if isinstance(schema, dict):
        return {
            key: value.replace("#/$defs/", f"#/components/schemas/{name}/$defs/")
            if key == "$ref" and isinstance(value, str)
            else _references(value, name)
            for key, value in schema.items()
        }
    if isinstance(schema, list):
        return [_references(part, name) for part in schema]
    return schema


def asyncapi() -> dict[str, Any]:
    """The AsyncAPI 3.0 document, with every schema inside. Operations are the daemon's: it sends, nothing is received."""
    channels = dict(_CHANNELS)
    for kind in EVENT_KINDS:
        channels[f"event/{kind.kind}"] = (f"event.{kind.kind}", 1, False, (kind.__doc__ or "").partition("\n")[0])
    document: dict[str, Any] = {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Metrepost",
            "version": "1",
            "description": "Events, rollups, alarm states and readings of a line, by the metre of cable. Events and rollups are two "
            "streams, each numbered without gaps within an epoch; order is by sequence. The same id may arrive more than once.",
        },
        "defaultContentType": "application/json",
        "channels": {},
        "operations": {},
        "components": {"messages": {}, "schemas": {}},
    }
    components = document["components"]
    for name, schema in schemas().items():
        # "$id" would give the parts a base of their own and break references into this document
        components["schemas"][name] = _references({k: v for k, v in schema.items() if k not in {"$id", "$schema"}}, name)
    for address, (name, qos, retain, what) in channels.items():
        key = address.replace("/", ".").replace("{", "").replace("}", "")
        whole = _ROOT + address
        components["messages"][key] = {
            "name": key,
            "contentType": CONTENT_TYPE if name == "rollup" or name.startswith("event.") else "application/json",
            "payload": {"$ref": f"#/components/schemas/{name}"},
        }
        document["channels"][key] = {
            "address": whole,
            "description": what,
            "messages": {key: {"$ref": f"#/components/messages/{key}"}},
            "parameters": {word: {"description": text} for word, text in _WORDS.items() if f"{{{word}}}" in whole},
        }
        document["operations"][f"send.{key}"] = {
            "action": "send",
            "channel": {"$ref": f"#/channels/{key}"},
            "messages": [{"$ref": f"#/channels/{key}/messages/{key}"}],
            "bindings": {"mqtt": {"qos": qos, "retain": retain, "bindingVersion": "0.2.0"}},
        }
    return document
