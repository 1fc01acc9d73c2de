"""The references file of `metrepost points --from`: what was applied to which tag, as TOML or CSV, every fault at once."""

import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import msgspec

from ..points.model import Point
from ..readings.units import AnyQuantity, Quantity, UnitError, same_dimension
from .csv_rows import csv_rows
from .csv_rows import point as decimal_point
from .document import read_document
from .explain import validate
from .faults import Faults, Place
from .lookup import shown_unit
from .table import Filled, Table
from .toml_lines import KeyPath, spell

COLUMNS = ("tag", "reference", "tolerance", "by", "remark", "accept_uncertain", "waive")


class ReferenceTable(Table):
    """One point: `reference` with `tolerance`, or `waive` with the reason."""

    reference: AnyQuantity | None = None
    tolerance: AnyQuantity | None = None
    by: Filled | None = None
    remark: str = ""
    accept_uncertain: bool = False
    waive: Filled | None = None


class Wanted(msgspec.Struct, frozen=True, kw_only=True):
    """One point to be tried or waived. `reference` and `allowed` in the tag's unit, NaN where it is waived (`waive`: why)."""

    tag: str
    by: str
    reference: float = math.nan
    allowed: float = math.nan
    remark: str = ""
    accept_uncertain: bool = False
    waive: str = ""


def read_references(path: Path, points: Iterable[Point], by: str) -> list[Wanted]:
    """The points of a file, in its order. `by` does those that name nobody. Raises ConfigurationError with every fault."""
    faults = Faults()
    known = {point.tag: point for point in points}
    reader = _csv if path.suffix.lower() == ".csv" else _toml
    found = reader(path, known, by, faults)
    if not found and not len(faults):
        faults.add(path, 0, "", "the file names no point; nothing is to be done")
    faults.raise_any("Nothing was read and nothing was kept. Correct the lines named above and give the file again.")
    return found


def _toml(path: Path, known: Mapping[str, Point], by: str, faults: Faults) -> list[Wanted]:
    document = read_document(path, faults)
    if document is None:
        return []
    for key in document.data:
        if key not in ("format", "by", "point"):
            document.fault((key,), "there is no such key", ["format", "by", "point"], key)
    common = document.data.get("by", by)
    if not isinstance(common, str) or not common.strip():
        if "by" in document.data:
            document.fault(("by",), "a name in quotes is expected")
        common = ""
    found = []
    stations = document.data.get("point", {})
    for station, tags in _tables(document, ("point",), stations):
        for name, table in _tables(document, ("point", station), tags):
            one = _wanted(document, ("point", station, name), f"{station}.{name}", table, known, common)
            found += [one] if one else []
    return found


def _tables(place: Place, path: KeyPath, value: object) -> Iterable[tuple[str, Any]]:
    if isinstance(value, dict):
        return value.items()
    place.fault(path, "a table is expected, such as [point.cold-gauge.x] with reference and tolerance in it")
    return ()


class _RowPlace:
    """A row as a place for faults."""

    def __init__(self, path: Path, line: int, faults: Faults) -> None:
        self._path, self._line, self._faults = path, line, faults

    def fault(self, path: KeyPath, wrong: str, allowed: Iterable[str] = (), meant: str | None = None) -> None:
        self._faults.add(self._path, self._line, spell(path), wrong, allowed, meant)


def _csv(path: Path, known: Mapping[str, Point], by: str, faults: Faults) -> list[Wanted]:
    found: list[Wanted] = []
    lines: dict[str, int] = {}
    for row in csv_rows(path, faults, "references file", ("tag",), COLUMNS):
        place = _RowPlace(path, row.line, faults)
        table: dict[str, Any] = dict(row.cells)
        tag = table.pop("tag", "")
        if row.surplus:
            place.fault((), f"the row has more cells than the first row has columns: {', '.join(row.surplus)}")
        if not tag:
            place.fault(("tag",), "the row names no tag")
            continue
        path_of = tuple(tag.split(".", 1))  # spelled as in TOML
        if tag in lines:
            place.fault(path_of, f"{tag} stands in line {lines[tag]} already; a point has one row")
        lines[tag] = row.line
        for key in ("reference", "tolerance"):
            if row.comma and key in table:
                table[key] = decimal_point(table[key])
        if "accept_uncertain" in table:
            cell = table["accept_uncertain"].lower()
            table["accept_uncertain"] = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}.get(
                cell, cell
            )
        one = _wanted(place, path_of, tag, table, known, by)
        found += [one] if one else []
    return found


def _wanted(place: Place, path: KeyPath, tag: str, table: object, known: Mapping[str, Point], by: str) -> Wanted | None:
    point = known.get(tag)
    good = validate(ReferenceTable, place, path, table)
    if point is None:
        place.fault(path, f"there is no tag {tag}", sorted(t for t, p in known.items() if not p.derived), tag)
        return None
    if point.derived:
        place.fault(path, f"{tag} is computed; prove what it is computed from: {point.place}")
        return None
    if good is None:
        return None
    name = good.by or by
    if not name:
        place.fault((*path, "by"), "nobody is named; write by, or give --by NAME")
    if good.waive is not None:
        if good.reference is not None or good.tolerance is not None:
            place.fault((*path, "waive"), "a point is tried or waived; keep reference and tolerance, or waive")
        return Wanted(tag=tag, by=name, waive=good.waive, remark=good.remark)
    reference = _number(place, (*path, "reference"), good.reference, point, difference=False)
    allowed = _number(place, (*path, "tolerance"), good.tolerance, point, difference=True)
    return Wanted(
        tag=tag, by=name, reference=reference, allowed=allowed, remark=good.remark, accept_uncertain=good.accept_uncertain
    )


def _number(place: Place, path: KeyPath, given: Quantity | None, point: Point, *, difference: bool) -> float:
    if given is None:
        what = "the largest difference that passes" if difference else "what was applied"
        place.fault(path, f"the key is missing: it says {what}, in a unit of {shown_unit(point.unit)}")
        return math.nan
    if not same_dimension(given.unit, point.unit):
        place.fault(path, f"{given} and the tag's unit, {shown_unit(point.unit)}, measure different things")
        return math.nan
    if difference and given.magnitude < 0:
        place.fault(path, f"{given} is negative; the tolerance is the largest difference that passes, 0 or more")
    try:
        return given.difference_to(point.unit) if difference else given.to(point.unit)
    except UnitError as error:
        place.fault(path, str(error))
        return math.nan
