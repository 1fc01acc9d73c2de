import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest
from jsonschema import Draft202012Validator, FormatChecker, ValidationError

from metrepost.events import EVENT_KINDS, Event
from metrepost.journal import Journal
from metrepost.publish.cloudevents import envelope
from metrepost.publish.payloads import encode_reading, encode_state
from metrepost.publish.schema import asyncapi, schema_of, schemas
from support_journal import SOURCE, T0, alarm_event, alarm_state, measured, note, reel_state, rollup, tag
from support_publish import status

SCHEMAS = schemas()


def validate(name: str, payload: bytes | Any) -> None:
    data = json.loads(payload) if isinstance(payload, bytes) else payload
    Draft202012Validator(SCHEMAS[name], format_checker=FormatChecker()).validate(data)


@pytest.mark.parametrize("name", SCHEMAS)
def test_each_schema_is_a_schema(name: str) -> None:
    """Against the meta-schema of JSON Schema 2020-12, as jsonschema carries it."""
    Draft202012Validator.check_schema(SCHEMAS[name])


def test_there_is_a_schema_for_every_event_kind() -> None:
    assert {f"event.{k.kind}" for k in EVENT_KINDS} < set(SCHEMAS)
    assert {"rollup", "alarm", "reel", "state", "reading", "cloudevent"} < set(SCHEMAS)


def sample(model: type[Any]) -> Any:
    """An event of a kind with each field that must be given, made from its types alone."""
    values: dict[str, Any] = {}
    for field in msgspec.structs.fields(model):
        if not field.required:
            continue
        node = msgspec.inspect.type_info(field.type)
        values[field.name] = next(make for kind, make in MAKERS.items() if isinstance(node, kind))(node)
    return model(**values)


MAKERS: dict[type[Any], Any] = {
    msgspec.inspect.StrType: lambda n: "text",
    msgspec.inspect.BoolType: lambda n: True,
    msgspec.inspect.IntType: lambda n: 7,
    msgspec.inspect.FloatType: lambda n: 1.5,
    msgspec.inspect.LiteralType: lambda n: n.values[0],
    msgspec.inspect.ListType: lambda n: [],
}


@pytest.mark.parametrize("model", EVENT_KINDS, ids=lambda m: m.kind)
def test_every_event_kind_validates_as_it_is_encoded(model: type[Any]) -> None:
    payload = envelope(Event(T0, sample(model)), "event", "abcdefghijkl", 41, SOURCE)
    validate(f"event.{model.kind}", payload)
    validate("cloudevent", payload)


def test_other_payloads_validate_as_they_are_encoded() -> None:
    validate("rollup", envelope(rollup(), "rollup", "abcdefghijkl", 1, SOURCE))
    validate("alarm", msgspec.json.encode(alarm_state()))
    validate("reel", msgspec.json.encode(reel_state().data))
    validate("state", encode_state(msgspec.structs.replace(status(), time="2027-01-15T08:00:00Z")))
    validate("reading", encode_reading(1, measured(value=float("nan")), tag()))


def whole() -> Iterator[dict[str, Any]]:
    yield json.loads(envelope(alarm_event(), "event", "abcdefghijkl", 41, SOURCE))


@pytest.mark.parametrize(
    "change",
    [
        {"type": "metrepost.note.v1"},
        {"id": "event-abcdefghijkl-41"},
        {"sequence": 41},
        {"specversion": "0.3"},
        {"source": ""},
        {"data": {"alarm": "x"}},
    ],
    ids=lambda c: next(iter(c)),
)
def test_a_wrong_event_does_not_validate(change: dict[str, Any]) -> None:
    good = next(whole())
    validate("event.alarm", good)
    with pytest.raises(ValidationError):
        validate("event.alarm", good | change)


def test_topics_name_their_schema(tmp_path: Path) -> None:
    with closing(Journal.open(tmp_path, "core-3", source=SOURCE)) as journal:
        for row in journal.commit([note(), alarm_event(), rollup(), alarm_state(), reel_state()]):
            validate(schema_of(row.topic), row.payload)
        for state in journal.states():
            validate(schema_of(state.topic), state.payload)
    with pytest.raises(KeyError):
        schema_of("nothing/of/ours")


def references(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        for key, value in part.items():
            if key == "$ref":
                yield value
            else:
                yield from references(value)
    elif isinstance(part, list):
        for value in part:
            yield from references(value)


def test_the_asyncapi_document_holds_together() -> None:
    """AsyncAPI 3.0.0: fields it requires, and every reference leads somewhere in the document."""
    document = asyncapi()
    assert document["asyncapi"] == "3.0.0"
    assert set(document["info"]) >= {"title", "version"}
    for reference in references(document):
        at: Any = document
        for step in reference.removeprefix("#/").split("/"):
            at = at[step]
    for channel in document["channels"].values():
        words = {w.partition("}")[0] for w in channel["address"].split("{")[1:]}
        assert words == set(channel["parameters"])
    for operation in document["operations"].values():
        assert operation["action"] == "send"
    addresses = {c["address"].removeprefix("metrepost/v1/{plant}/{area}/{line}/") for c in document["channels"].values()}
    assert addresses >= {"state", "alarm/{rule}/{limit}", "reel/{which}", "event/alarm", "event/loss"}


def test_a_payload_validates_against_the_asyncapi_document_too() -> None:
    document = asyncapi()
    validator = Draft202012Validator({**document, "$ref": "#/components/schemas/event.alarm"})
    validator.validate(next(whole()))
    with pytest.raises(ValidationError):
        validator.validate({})
