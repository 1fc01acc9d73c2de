"""Units, resolved once at load: pint knows the units, the core runs on floats.

A quantity is a string such as ``"4.80 mm"``. Unit names are pint's; the UCUM code that goes on the wire is looked up in a short
reviewed table (UCUM is case sensitive; https://ucum.org) and falls back to an annotation, ``{name}``.
"""

import functools
import math
import re
from typing import Annotated, Any

import msgspec
import pint
from pydantic import BeforeValidator, InstanceOf, PlainSerializer, WithJsonSchema

_REGISTRY: pint.UnitRegistry[Any] = pint.UnitRegistry(cache_folder=None)
_REGISTRY.define("count = [] = counts")
_NUMBER = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")

UCUM = {
    "": "1",
    "1": "1",
    "count": "{count}",
    "mm": "mm",
    "um": "um",
    "µm": "um",
    "m": "m",
    "km": "km",
    "m/min": "m/min",
    "m/s": "m/s",
    "mm/s": "mm/s",
    "pF/m": "pF/m",
    "pF": "pF",
    "degC": "Cel",
    "K": "K",
    "bar": "bar",
    "mbar": "mbar",
    "MPa": "MPa",
    "Pa": "Pa",
    "V": "V",
    "kV": "kV",
    "ohm": "Ohm",
    "%": "%",
    "rpm": "/min",
    "1/min": "/min",
    "Hz": "Hz",
    "kHz": "kHz",
    "MHz": "MHz",
    "A": "A",
    "mA": "mA",
    "dB": "dB",
    "kg/h": "kg/h",
    "g/min": "g/min",
    "l/min": "L/min",
    "s": "s",
    "ms": "ms",
    "min": "min",
    "h": "h",
    "1/m": "/m",
    "1/km": "/km",
    "count/km": "{count}/km",
    "deg": "deg",
    "g/cm**3": "g/cm3",
}


class UnitError(ValueError):
    """A unit that is not known, or that does not fit."""


@functools.cache
def _unit(name: str) -> pint.Unit:
    text = {"%": "percent", "": "dimensionless", "1": "dimensionless", "µm": "um"}.get(name, name)
    try:
        return _REGISTRY.Unit(text)
    except Exception as error:  # pint raises a dozen types for a bad unit string
        raise UnitError(f"unit {name!r} is not known; write units such as mm, um, m/min, degC, bar, pF/m, kV, %") from error


def ucum(name: str) -> str:
    """The UCUM code of a unit as engineers write it. Raises UnitError when the unit is not known."""
    _unit(name)
    return UCUM.get(name, "{" + name + "}")


def check_unit(name: str) -> str:
    """Return `name` unchanged, or raise UnitError."""
    _unit(name)
    return name


def same_dimension(first: str, second: str) -> bool:
    """Whether two units measure the same thing."""
    return bool(_unit(first).dimensionality == _unit(second).dimensionality)


@functools.cache
def affine(source: str, target: str) -> tuple[float, float]:
    """``(factor, offset)`` with ``target = source * factor + offset``. Raises UnitError when the dimensions differ."""
    if not same_dimension(source, target):
        raise UnitError(f"{source or '1'} cannot be turned into {target or '1'}: they measure different things")
    zero = _REGISTRY.Quantity(0.0, _unit(source)).to(_unit(target)).magnitude
    one = _REGISTRY.Quantity(1.0, _unit(source)).to(_unit(target)).magnitude
    if zero == 0:  # exact for the usual case; only temperatures have an offset
        return float(one), 0.0
    return float(one - zero), float(zero)


def factor(source: str, target: str) -> float:
    """The factor alone, for differences (a deadband of 1 K is 1 degC)."""
    return affine(source, target)[0]


class Quantity(msgspec.Struct, frozen=True):
    """A number with its unit, as written in a file."""

    magnitude: float
    unit: str

    @classmethod
    def parse(cls, text: object) -> "Quantity":
        """Parse ``"4.80 mm"``. Raises UnitError, saying what was expected."""
        if isinstance(text, Quantity):
            return text
        if not isinstance(text, str):
            raise UnitError(f'write a number with its unit in quotes, such as "4.80 mm", not {text!r}')
        match = _NUMBER.match(text)
        if match is None:
            raise UnitError(f'{text!r} is no quantity; write a number with its unit, such as "4.80 mm"')
        magnitude = float(match[1])
        if magnitude in (float("inf"), float("-inf")):
            raise UnitError(f"{text!r} is too large")
        return cls(magnitude, check_unit(match[2]))

    def to(self, unit: str) -> float:
        """The value in another unit (a temperature is converted with its offset). Raises UnitError when it does not fit."""
        scale, offset = affine(self.unit, unit)
        return self._finite(self.magnitude * scale + offset, unit)

    def difference_to(self, unit: str) -> float:
        """The value as a difference in another unit (no offset)."""
        return self._finite(self.magnitude * factor(self.unit, unit), unit)

    def _finite(self, value: float, unit: str) -> float:
        if not math.isfinite(value):
            raise UnitError(f"{self} is too large in {unit or '1'}")
        return value

    def __str__(self) -> str:
        return f"{self.magnitude:g} {self.unit}".strip()


def _of(*units: str) -> Any:
    """A validator for quantities of one dimension, giving plain floats in the first unit."""

    def convert(value: object) -> float:
        quantity = Quantity.parse(value)
        for unit in units:
            if same_dimension(quantity.unit, unit):
                return quantity.to(unit)
        raise UnitError(f"{quantity} has the wrong dimension; a quantity in {' or '.join(units)} is expected")

    return convert


def _schema(example: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": [example]})


Length = Annotated[float, BeforeValidator(_of("m")), _schema("5 m")]
"""A length in a file; a float in metres in the program."""
Duration = Annotated[float, BeforeValidator(_of("s")), _schema("20 ms")]
"""A time in a file; a float in seconds in the program."""
Speed = Annotated[float, BeforeValidator(_of("m/s")), _schema("80 m/min")]
"""A speed in a file; a float in metres per second in the program."""
Share = Annotated[float, BeforeValidator(_of("1")), _schema("0.1 %")]
"""A share in a file ("0.1 %"); a plain ratio in the program."""


class Extent(msgspec.Struct, frozen=True):
    """A delay or window that is either a length of cable (metres) or a time (seconds); the other is 0."""

    metres: float = 0.0
    seconds: float = 0.0

    @property
    def is_length(self) -> bool:
        """Whether it is a length of cable."""
        return self.metres > 0.0

    @classmethod
    def parse(cls, text: object) -> "Extent":
        """Parse ``"2 m"`` or ``"30 s"``. Raises UnitError for anything else or for a negative one."""
        if isinstance(text, Extent):
            return text
        quantity = Quantity.parse(text)
        if quantity.magnitude < 0:
            raise UnitError(f"{quantity} is negative; a delay or window is 0 or more")
        if same_dimension(quantity.unit, "m"):
            return cls(metres=quantity.to("m"))
        if same_dimension(quantity.unit, "s"):
            return cls(seconds=quantity.to("s"))
        raise UnitError(f"{quantity} has the wrong dimension; a length or a time is expected")

    def __str__(self) -> str:
        return f"{self.metres:g} m" if self.is_length else f"{self.seconds:g} s"


AnyQuantity = Annotated[InstanceOf[Quantity], BeforeValidator(Quantity.parse), PlainSerializer(str), _schema("4.80 mm")]
"""A quantity whose dimension is checked later, against a tag's unit."""
LengthOrDuration = Annotated[InstanceOf[Extent], BeforeValidator(Extent.parse), PlainSerializer(str), _schema("2 m")]
"""A delay or window as length or time."""
