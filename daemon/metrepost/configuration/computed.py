"""Computed tags: their inputs, units and order."""

from collections.abc import Mapping

from ..line.formulas import FUNCTIONS
from ..line.physical import OPTIONS, PHYSICAL, Option, Physical
from ..line.plan import PRODUCT, ComputedPlan, Product
from ..readings import Hold, Tag
from ..readings.units import Quantity, UnitError, same_dimension, ucum
from .lookup import Lookup, shown_unit
from .models.station_tables import ComputedTable
from .pieces import Pieces
from .tags import sending
from .toml_lines import KeyPath

_PAIRS = ("difference", "ratio")


class _Place:
    """Faults at one computed tag."""

    def __init__(self, pieces: Pieces, name: str) -> None:
        station, _, tag = name.partition(".")
        self.station = station
        self.path: KeyPath = ("station", station, "computed", tag)
        self._document = pieces.document

    def fault(self, path: KeyPath, wrong: str, allowed: object = (), meant: str | None = None) -> None:
        assert isinstance(allowed, list | tuple)
        self._document.fault((*self.path, *path), wrong, allowed, meant)


def resolve_computed(pieces: Pieces, tags: dict[str, Tag]) -> tuple[dict[str, Tag], tuple[ComputedPlan, ...]]:
    """Tags that are computed, and their plans in an order in which every input comes before what is made of it."""
    found = dict(tags)
    inputs = {name: _inputs(pieces, name, table) for name, table in pieces.computed.items()}
    plans: list[ComputedPlan] = []
    waiting = dict(pieces.computed)
    while waiting:
        ready = [name for name in waiting if not any(other in waiting for other in inputs[name])]
        if not ready:
            _tell_circles(pieces, waiting, inputs)
            pieces.broken_tags |= set(waiting)
            break
        for name in ready:
            table = waiting.pop(name)
            tag = _computed_tag(pieces, name, table, inputs[name], found)
            if tag is None:
                pieces.broken_tags.add(name)
                continue
            found[name] = tag
            plans.append(ComputedPlan(name, table.function, inputs[name], options_of(table)))
    return found, tuple(plans)


def _inputs(pieces: Pieces, name: str, table: ComputedTable) -> tuple[str, ...]:
    """Full names: a short name is of the same station."""
    station = name.partition(".")[0]
    return tuple(word if "." in word else f"{station}.{word}" for word in table.of)


def _computed_tag(
    pieces: Pieces, name: str, table: ComputedTable, inputs: tuple[str, ...], found: dict[str, Tag]
) -> Tag | None:
    place = _Place(pieces, name)
    before = len(pieces.document.faults)
    lookup = Lookup(pieces, found)
    of = [lookup.tag(word, pieces.document, (*place.path, "of", index)) for index, word in enumerate(inputs)]
    physical = PHYSICAL.get(table.function)
    if physical is None and table.function not in FUNCTIONS:
        every = [*FUNCTIONS, *PHYSICAL]
        place.fault(("function",), f'there is no function "{table.function}"', every, table.function)
    elif physical is not None and len(inputs) != len(physical.inputs):
        needs = ", ".join(f"{what} ({unit or 'a ratio'})" for what, unit in zip(physical.takes, physical.inputs, strict=True))
        many = f"{len(physical.inputs)} tags" if len(physical.inputs) > 1 else "one tag"
        place.fault(("of",), f"{table.function} takes {many}, {needs}, not {len(inputs)}")
    elif table.function in _PAIRS and len(inputs) != 2:
        place.fault(("of",), f"{table.function} takes two tags, not {len(inputs)}")
    for index, word in enumerate(inputs):
        if word in inputs[:index]:
            place.fault(("of", index), f"{word} stands twice")
    known = [tag for tag in of if tag is not None]
    places = {pieces.stations[tag.station].position for tag in known if tag.station in pieces.stations}
    if len(places) > 1 and "length" not in pieces.document.data:
        place.fault(("of",), "tags of several places are matched by the metre, and the line has no [length]")
    if len(known) < len(inputs) or len(pieces.document.faults) > before:
        return None
    _check_options(place, table, physical)
    if physical is not None:
        for index, (tag, unit) in enumerate(zip(known, physical.inputs, strict=True)):
            if not same_dimension(tag.unit, unit):
                place.fault(
                    ("of", index),
                    f"{tag.name} is in {shown_unit(tag.unit)}; {table.function} needs {shown_unit(unit)} here, the {physical.takes[index]}",
                )
    if len(pieces.document.faults) > before:
        return None
    units = {tag.unit for tag in known}
    if physical is None and len(units) > 1:
        told = ", ".join(f"{tag.name} is in {shown_unit(tag.unit)}" for tag in known)
        place.fault(("of",), f"{table.function} needs tags of one unit: {told}")
        return None
    unit = physical.unit if physical is not None else "" if table.function == "ratio" else known[0].unit
    low, high, change, silence = sending(table, unit, place)
    holds = {(tag.hold, tag.since_read, tag.window) for tag in known}
    hold, since_read, window = holds.pop() if len(holds) == 1 else (Hold.INSTANT, False, 0.0)
    return Tag(
        name=name,
        station=place.station,
        unit=unit,
        ucum=ucum(unit),
        hold=hold,
        since_read=since_read,
        window=window,
        interval=max(tag.interval for tag in known),
        valid_low=low,
        valid_high=high,
        on_change=change,
        at_least_every=silence,
    )


def options_of(table: ComputedTable) -> dict[str, float | str]:
    """Options as given: quantities in the unit the function asks for, ``product.KEY`` and choices as text."""
    physical = PHYSICAL.get(table.function)
    found: dict[str, float | str] = {}
    for name in OPTIONS:
        given = getattr(table, name)
        if given is None or physical is None or name not in physical.options:
            continue
        unit = physical.options[name].unit
        if isinstance(given, str) and unit is not None and not given.startswith(PRODUCT):
            try:
                given = Quantity.parse(given).to(unit)
            except UnitError:  # told by _check_options
                continue
        found[name] = float(given) if isinstance(given, int) else given
    return found


def _check_options(place: _Place, table: ComputedTable, physical: Physical | None) -> None:
    allowed = {} if physical is None else physical.options
    for name in OPTIONS:
        given = getattr(table, name)
        if given is None:
            if name in allowed and allowed[name].needed:
                unit = allowed[name].unit
                place.fault(("function",), f'{table.function} needs {name}, as a quantity in {unit} or as "product.{name}"')
            continue
        option = allowed.get(name)
        if option is None:
            place.fault((name,), f"{table.function} takes no {name}", list(allowed))
        elif option.unit is None:
            if given not in option.choices:
                place.fault((name,), f'there is no {name} "{given}"', list(option.choices), str(given))
        else:
            _check_number(place, name, option, given)
            if option.instead_of and getattr(table, option.instead_of) is not None:
                place.fault((name,), f"{name} and {option.instead_of} say the same; write one of the two")


def _check_number(place: _Place, name: str, option: Option, given: float | str) -> None:
    if isinstance(given, str):
        if given.startswith(PRODUCT):
            return
        try:
            given = Quantity.parse(given).to(option.unit or "")
        except UnitError as error:
            place.fault((name,), str(error))
            return
    wrong = _not_possible(name, option, given)
    if wrong:
        place.fault((name,), *wrong)


def _not_possible(name: str, option: Option, value: float) -> tuple[str, list[str]] | None:
    """What is wrong with the value of an option, and what is allowed."""
    if option.numbers and value not in option.numbers:
        return f"{name} is {value:g}, for which there is no factor", [f"{number:g}" for number in option.numbers]
    if value < 0 or (value == 0 and option.default != 0.0):
        return f"{name} is {value:g}; it is {'0 or more' if option.default == 0.0 else 'more than 0'}", []
    return None


def check_product_options(pieces: Pieces, plans: tuple[ComputedPlan, ...], products: Mapping[str, Product]) -> None:
    """Every ``product.KEY`` must be a value of every product, of the right dimension."""
    for plan in plans:
        physical = PHYSICAL.get(plan.function)
        for name, given in plan.options.items():
            if physical is None or not isinstance(given, str) or not given.startswith(PRODUCT):
                continue
            option = physical.options[name]
            key, unit = given.removeprefix(PRODUCT), option.unit or ""
            wrong: list[str] = []  # of all products in one fault: they are told at one place
            allowed: list[str] = []
            for product in products.values():
                value = product.values.get(key)
                if value is None:
                    wrong.append(f'product {product.name} has no "{key}"')
                    allowed += [other for other in sorted(product.values) if other not in allowed]
                elif not same_dimension(value.unit, unit):
                    wrong.append(
                        f"product {product.name} has {key} in {shown_unit(value.unit)}; {shown_unit(unit)} is needed",
                    )
                elif odd := _not_possible(name, option, Quantity(value.target, value.unit).to(unit)):
                    wrong.append(f"product {product.name}: {odd[0]}")
                    allowed += [other for other in odd[1] if other not in allowed]
            if wrong:
                _Place(pieces, plan.tag).fault((name,), "; ".join(wrong), allowed, key)


def _tell_circles(pieces: Pieces, waiting: dict[str, ComputedTable], inputs: dict[str, tuple[str, ...]]) -> None:
    """Report each circle once, at the computed tag that stands first in the file."""
    told: set[str] = set()
    for name in waiting:
        way = [name]
        while (following := next((word for word in inputs[way[-1]] if word in waiting), None)) is not None:
            if following in way:
                circle = way[way.index(following) :]
                if told.isdisjoint(circle):
                    _Place(pieces, circle[0]).fault(("of",), f"computed in a circle: {' → '.join([*circle, circle[0]])}")
                    told.update(circle)
                break
            way.append(following)
