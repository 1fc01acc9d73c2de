"""What the models of all files share: the base class, and field types with the bounds that files may have."""

import re
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from ..readings.units import Duration, Length, Quantity, Share, Speed, check_unit

_IDENTIFIER = re.compile(r"[a-z0-9_-]+")
IDENTIFIER_FORM = "lower-case letters, digits, - and _"


class Table(BaseModel):
    """A table of a file: strict, finite numbers, no key but the known ones."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=False)


def is_identifier(text: str) -> bool:
    """Whether a name may be a table key, topic level, tag or rule name."""
    return _IDENTIFIER.fullmatch(text) is not None


def _identifier(text: str) -> str:
    if not is_identifier(text):
        raise ValueError(f'"{text}" is no identifier; names are made of {IDENTIFIER_FORM}')
    return text


def _above_zero(value: float) -> float:
    if value <= 0:
        raise ValueError("the value must be more than 0")
    return value


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError("the value must be 0 or more")
    return value


def _filled(text: str) -> str:
    if not text.strip():
        raise ValueError("the text is empty")
    return text


def _one_or_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


def one_or_list(example: str) -> tuple[BeforeValidator, Any]:
    """Markers for a list of texts that may be written as one text."""
    text = {"type": "string", "examples": [example]}
    return BeforeValidator(_one_or_list), WithJsonSchema({"anyOf": [text, {"type": "array", "items": text}]})


def _quantity_pair(value: object) -> object:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError('a list of two quantities is expected, low and high, such as ["0.5 mm", "20 mm"]')
    return tuple(Quantity.parse(item) for item in value)


def _window(value: object) -> object:
    """``since-read`` stays text; a time becomes seconds; a length is refused, because registers know no metres."""
    if value == "since-read":
        return value
    seconds: Callable[[object], float] = Duration.__metadata__[0].func  # type: ignore[attr-defined]
    try:
        return _above_zero(seconds(value))
    except ValueError as error:
        raise ValueError(f'{error}; a window is "since-read" or a time such as "50 ms", never a length') from error


Identifier = Annotated[str, AfterValidator(_identifier), WithJsonSchema({"type": "string", "pattern": "^[a-z0-9_-]+$"})]
"""A name: lower-case letters, digits, - and _."""
Filled = Annotated[str, AfterValidator(_filled)]
"""Text that is not empty."""
Unit = Annotated[str, AfterValidator(check_unit), Field(examples=["mm"])]
"""A unit as engineers write it."""
PositiveLength = Annotated[Length, AfterValidator(_above_zero)]
"""A length above 0, in metres."""
AnyLength = Length
"""A position: a length with a sign, in metres."""
NotNegativeLength = Annotated[Length, AfterValidator(_not_negative)]
"""A length of 0 or more, in metres."""
PositiveDuration = Annotated[Duration, AfterValidator(_above_zero)]
"""A time above 0, in seconds."""
NotNegativeDuration = Annotated[Duration, AfterValidator(_not_negative)]
"""A time of 0 or more, in seconds."""
PositiveSpeed = Annotated[Speed, AfterValidator(_above_zero)]
"""A speed above 0, in m/s."""
NotNegativeSpeed = Annotated[Speed, AfterValidator(_not_negative)]
"""A speed of 0 or more, in m/s."""
NotNegativeShare = Annotated[Share, AfterValidator(_not_negative)]
"""A share of 0 or more, as a ratio."""
QuantityPair = Annotated[
    Any,
    BeforeValidator(_quantity_pair),
    WithJsonSchema(
        {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 2, "examples": [["0.5 mm", "20 mm"]]}
    ),
]
"""Low and high, as a tuple of two quantities whose dimension is checked later, against the tag's unit."""
Window = Annotated[Any, BeforeValidator(_window), WithJsonSchema({"type": "string", "examples": ["since-read", "50 ms"]})]
"""How long a register holds: ``since-read``, or seconds."""
