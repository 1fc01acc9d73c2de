"""Computed tags: their inputs, units and order."""

from ..line.computed import FUNCTIONS
from ..line.plan import ComputedPlan
from ..readings import Hold, Tag
from ..readings.units import ucum
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
            plans.append(ComputedPlan(name, table.function, inputs[name]))
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
    if table.function not in FUNCTIONS:
        place.fault(("function",), f'there is no function "{table.function}"', list(FUNCTIONS), table.function)
    elif table.function in _PAIRS and len(inputs) != 2:
        place.fault(("of",), f"{table.function} takes two tags, not {len(inputs)}")
    for index, word in enumerate(inputs):
        if word in inputs[:index]:
            place.fault(("of", index), f"{word} stands twice")
    known = [tag for tag in of if tag is not None]
    if len(known) < len(inputs) or len(pieces.document.faults) > before:
        return None
    units = {tag.unit for tag in known}
    if len(units) > 1:
        told = ", ".join(f"{tag.name} is in {shown_unit(tag.unit)}" for tag in known)
        place.fault(("of",), f"{table.function} needs tags of one unit: {told}")
        return None
    unit = "" if table.function == "ratio" else known[0].unit
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
