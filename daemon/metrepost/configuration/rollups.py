"""Spans, tags and product limits of the rollups."""

import re
from collections.abc import Iterable, Mapping

from ..line.plan import PRODUCT, ProductPlan, RollupPlan
from ..readings import Tag
from ..readings.units import Quantity, UnitError, factor, same_dimension
from ..rules.contract import RuleSettings
from .lookup import Lookup
from .pieces import Pieces


def resolve_rollups(pieces: Pieces, lookup: Lookup) -> RollupPlan:
    """Spans and tags. Without [rollups] they are the usual ones, for every tag that has a unit."""
    document, table = pieces.document, pieces.rollups
    has_axis = "length" in document.data
    usual = RollupPlan()
    if table is None:
        return RollupPlan(usual.lengths if has_axis else (), usual.times, _with_unit(lookup.tags))
    if table.lengths and not has_axis:
        document.fault(("rollups", "lengths"), "spans of length need a [length] table, and the line has none")
    lengths = _spans(pieces, "lengths", table.lengths, "m", usual.lengths if has_axis else ())
    times = _spans(pieces, "times", table.times, "s", usual.times)
    tags = _with_unit(lookup.tags) if table.tags is None else _named(pieces, lookup, "tags", table.tags)
    reels = None if table.reels is None else _named(pieces, lookup, "reels", table.reels)
    for index, name in enumerate(table.reels or ()):
        if name in lookup.tags and name not in tags:
            document.fault(
                ("rollups", "reels", index), f"{name} is not among the tags that rollups are made for: name it in tags too"
            )
    return RollupPlan(lengths, times, tags, reels=reels)


def _named(pieces: Pieces, lookup: Lookup, key: str, names: Iterable[str]) -> tuple[str, ...]:
    """The tags of a list, each once."""
    tags: list[str] = []
    for index, name in enumerate(names):
        tag = lookup.tag(name, pieces.document, ("rollups", key, index))
        if name in tags:
            pieces.document.fault(("rollups", key, index), f"{name} stands twice")
        elif tag is not None:
            tags.append(name)
    return tuple(tags)


def _with_unit(tags: Mapping[str, Tag]) -> tuple[str, ...]:
    return tuple(name for name, tag in tags.items() if tag.unit)


def _spans(
    pieces: Pieces, key: str, written: list[str] | None, unit: str, usual: tuple[tuple[str, float], ...]
) -> tuple[tuple[str, float], ...]:
    """Name and size of each span; the name, a level of topics, is the text without blanks: ``100m``."""
    if written is None:
        return usual
    spans: dict[str, float] = {}
    for index, text in enumerate(written):
        path = ("rollups", key, index)
        name = re.sub(r"\s", "", text)
        try:
            quantity = Quantity.parse(text)
        except UnitError as error:
            pieces.document.fault(path, str(error))
            continue
        if not same_dimension(quantity.unit, unit):
            pieces.document.fault(
                path, f"{quantity} has the wrong dimension; a {'length' if unit == 'm' else 'time'} is expected"
            )
        elif quantity.magnitude <= 0:
            pieces.document.fault(path, "a span must be more than 0")
        elif quantity.to(unit) in spans.values() or name in spans:
            pieces.document.fault(path, f"{quantity} stands twice")
        elif not re.fullmatch(r"[0-9.]+[a-z]+", name):
            pieces.document.fault(path, f'"{text}" makes no topic name; write it such as {"100 m" if unit == "m" else "10 s"}')
        else:
            spans[name] = quantity.to(unit)
    return tuple(spans.items())


def product_limits(
    rules: Iterable[tuple[str, RuleSettings]], products: ProductPlan, tags: Mapping[str, Tag]
) -> dict[str, dict[str, tuple[float, float]]]:
    """Limits for pp, ppk, cp, cpk: of every tag that a rule judges against a product value with a tolerance.

    Any rule counts that has a `target` of the form ``product.KEY`` and reads one tag.
    """
    limits: dict[str, dict[str, tuple[float, float]]] = {}
    for _, settings in rules:
        target = getattr(settings, "target", None)
        read = settings.tags()
        tag = tags.get(read[0]) if len(read) == 1 else None
        if tag is None or not isinstance(target, str) or not target.startswith(PRODUCT):
            continue
        for product in products.products.values():
            value = product.values.get(target.removeprefix(PRODUCT))
            if value is None or value.tolerance is None or not same_dimension(value.unit, tag.unit):
                continue
            scale = factor(value.unit, tag.unit)
            low, high = (value.target - value.tolerance) * scale, (value.target + value.tolerance) * scale
            limits.setdefault(tag.name, {})[product.name] = (low, high)
    return limits
