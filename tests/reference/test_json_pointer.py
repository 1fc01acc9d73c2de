"""JSON Pointers against the table of RFC 6901, section 5."""

import json

import pytest

from metrepost.endpoints.mqtt_decode import Message, Nothing, TopicDecoder, _at, pointer
from metrepost.endpoints.plan import MqttPoint

DOCUMENT = r"""{
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
   }"""
TABLE = [
    ("", json.loads(DOCUMENT)),
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]


@pytest.mark.parametrize(("text", "value"), TABLE, ids=[repr(row[0]) for row in TABLE])
def test_the_table_of_the_standard(text: str, value: object) -> None:
    assert _at(json.loads(DOCUMENT), pointer(text)) == value
    if isinstance(value, int):
        (reading,) = TopicDecoder([MqttPoint("g.x", "t", text)], 0.1).readings(Message(DOCUMENT.encode(), 5.0))
        assert reading.value == value


@pytest.mark.parametrize("text", ["/foo/2", "/foo/-", "/foo/00", "/foo/01", "/nope", "/foo/0/x"])
def test_what_is_not_there_is_nothing(text: str) -> None:
    """Section 4: no leading zeros; "-" is the element after the last."""
    with pytest.raises(Nothing, match="nothing at"):
        _at(json.loads(DOCUMENT), pointer(text))


@pytest.mark.parametrize("text", ["foo", "/a~2", "/a~", "#/foo"])
def test_what_is_no_pointer_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no JSON Pointer"):
        pointer(text)


def test_an_escape_is_undone_in_the_order_of_the_standard() -> None:
    """Section 4: ~1 first, then ~0, so that ~01 is ~1 and never /."""
    assert _at({"~1": 9, "/": 1}, pointer("/~01")) == 9
