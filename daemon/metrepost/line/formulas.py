"""What a computed tag works out: its function made ready for one product, with the uncertainty of the result."""

from collections.abc import Callable, Mapping, Sequence
from math import hypot, isfinite

import msgspec

from ..readings import Tag
from ..readings.units import affine
from .physical import PHYSICAL, Physical
from .plan import PRODUCT, ComputedPlan, Product
from .propagation import combined, of_tolerance

Uncertainties = Sequence[float | None]
"""Standard uncertainties beside the values; None: not stated."""


class Plain(msgspec.Struct, frozen=True):
    """A function of tags of one unit, with its uncertainty: ``value(v)`` and ``uncertainty(v, u)``, no input unstated."""

    value: Callable[[Sequence[float]], float]
    uncertainty: Callable[[Sequence[float], Sequence[float]], float]


def _of_extreme(extreme: Callable[[Sequence[float]], float]) -> Callable[[Sequence[float], Sequence[float]], float]:
    """The sensitivity to the extreme is 1, to all others 0; of several that are equal the least certain counts."""

    def uncertainty(v: Sequence[float], u: Sequence[float]) -> float:
        at = extreme(v)
        return max(each for value, each in zip(v, u, strict=True) if value == at)

    return uncertainty


FUNCTIONS: dict[str, Plain] = {
    "mean": Plain(lambda v: sum(v) / len(v), lambda v, u: hypot(*u) / len(u)),
    "difference": Plain(lambda v: abs(v[0] - v[1]), lambda v, u: hypot(*u)),
    "sum": Plain(sum, lambda v, u: hypot(*u)),
    "ratio": Plain(lambda v: v[0] / v[1], lambda v, u: hypot(u[0] / v[1], v[0] / v[1] ** 2 * u[1])),
    "min": Plain(min, _of_extreme(min)),
    "max": Plain(max, _of_extreme(max)),
}
"""Functions by name. `difference` is the absolute difference of two inputs (ovality), `ratio` the first over the second."""

NOT_FINITE = "the result is not finite"


class Worked(msgspec.Struct, frozen=True, gc=False):
    """A result: a value with its standard uncertainty (None: not stated), or the reason why there is none."""

    value: float
    uncertainty: float | None = None
    wrong: str = ""


class Formula:
    """The function of one computed tag. `of(values, uncertainties, product)` works it out; options are those of the product."""

    def __init__(self, plan: ComputedPlan, tags: Mapping[str, Tag]) -> None:
        physical = PHYSICAL.get(plan.function)
        self._physical = physical
        self._plain = FUNCTIONS.get(plan.function)
        self._given = plan.options
        self._affine = (
            [affine(tags[name].unit, unit) for name, unit in zip(plan.of, physical.inputs, strict=True)]
            if physical is not None
            else []
        )
        # the product itself, not its name: two products, or one before and after a change, may share a name
        self._product: Product | None = None
        self._options: dict[str, float | str] = {}
        self._doubtful: list[tuple[str, float]] = []  # options with a standard uncertainty
        self._missing = ""

    def of(self, values: Sequence[float], uncertainties: Uncertainties, product: Product) -> Worked:
        """Work it out. `values` are in the units of their tags; never raises."""
        try:
            if self._physical is None:
                found = self._of_plain(values, uncertainties)
            else:
                if product is not self._product:
                    self._resolve(self._physical, product)
                if self._missing:
                    return Worked(float("nan"), None, self._missing)
                found = self._of_physical(self._physical, values, uncertainties)
        except ZeroDivisionError:
            return Worked(float("nan"), None, "division by zero")
        except OverflowError:
            return Worked(float("nan"), None, NOT_FINITE)
        except ValueError as error:
            return Worked(float("nan"), None, str(error))
        if not isfinite(found.value):
            return Worked(float("nan"), None, NOT_FINITE)
        return found

    def _of_plain(self, values: Sequence[float], uncertainties: Uncertainties) -> Worked:
        assert self._plain is not None
        value = self._plain.value(values)
        stated = [u for u in uncertainties if u is not None]
        return Worked(value, self._plain.uncertainty(values, stated)) if len(stated) == len(values) else Worked(value)

    def _of_physical(self, physical: Physical, values: Sequence[float], uncertainties: Uncertainties) -> Worked:
        options = self._options
        turned = [v * factor + offset for v, (factor, offset) in zip(values, self._affine, strict=True)]
        value = physical.formula(turned, options)
        if None in uncertainties:
            return Worked(value)
        number = len(turned)
        us = [None if u is None else u * abs(factor) for u, (factor, _) in zip(uncertainties, self._affine, strict=True)]
        names = [name for name, _ in self._doubtful]

        def whole(x: Sequence[float]) -> float:
            return physical.formula(x[:number], {**options, **dict(zip(names, x[number:], strict=True))} if names else options)

        every = turned + [float(options[name]) for name in names]
        return Worked(value, combined(whole, every, [*us, *(u for _, u in self._doubtful)]))

    def _resolve(self, physical: Physical, product: Product) -> None:
        """The options for one product, or what is missing."""
        self._product, self._options, self._doubtful, self._missing = product, {}, [], ""
        for name, option in physical.options.items():
            given = self._given.get(name, option.default)
            if name not in self._given and any(
                other.instead_of == name and key in self._given for key, other in physical.options.items()
            ):
                continue
            if isinstance(given, str) and given.startswith(PRODUCT):
                value = product.values.get(given.removeprefix(PRODUCT))
                if value is None:
                    self._missing = f"product {product.name or 'not known'} has no {given.removeprefix(PRODUCT)}"
                    return
                factor, offset = affine(value.unit, option.unit or "")
                self._options[name] = value.target * factor + offset
                if value.tolerance is not None and not option.numbers:
                    self._doubtful.append((name, of_tolerance(value.tolerance * abs(factor))))
            elif given is not None:
                self._options[name] = given
