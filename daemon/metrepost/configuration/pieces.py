"""The line file taken apart: every table validated by itself, so that one fault hides no other."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .document import Document
from .explain import salvage, validate
from .faults import Place
from .models.door_tables import DoorsTable
from .models.endpoint_tables import PROTOCOLS, TABLES, AnyEndpoint
from .models.line_file import LineFile
from .models.line_tables import (
    LengthTable,
    LineTable,
    MqttTable,
    NotifyTable,
    ProductInLine,
    RecipeTable,
    RollupsTable,
    TakeUpTable,
)
from .models.station_tables import ComputedTable, StationTable, TagTable
from .registers_csv import Row, read_rows
from .table import IDENTIFIER_FORM, Table, is_identifier
from .toml_lines import KeyPath

_SECTIONS: dict[str, type[Table]] = {
    "line": LineTable,
    "length": LengthTable,
    "take_up": TakeUpTable,
    "rollups": RollupsTable,
    "mqtt": MqttTable,
    "notify": NotifyTable,
    "doors": DoorsTable,
}
_STAND_INS: dict[str, dict[str, Any]] = {
    "line": {"plant": "-", "name": "-"},
    "length": {"max_speed": "2999 m/min"},
    "mqtt": {"url": "mqtt://localhost"},
}
"""Values for keys that must stand there, when a section is looked at further although it is refused."""


class WrittenTag:
    """A tag as written, joined with its station's defaults. Faults go to where the key in question stands."""

    def __init__(self, station: str, tag: str, own: TagTable, defaults: TagTable, place: Place, path: KeyPath) -> None:
        self.name = f"{station}.{tag}"
        self.station = station
        self.own = own.model_fields_set
        self.inherited = defaults.model_fields_set - self.own
        self.table = defaults.model_copy(update={key: getattr(own, key) for key in self.own})
        self._place = place
        self._path = path
        self._defaults_place: Place | None = None
        self._station = station

    def with_defaults_in(self, document: Document) -> "WrittenTag":
        """Say which file the station's defaults stand in."""
        self._defaults_place = document
        return self

    def fault(self, path: KeyPath, wrong: str, allowed: Iterable[str] = (), meant: str | None = None) -> None:
        """Report a fault at one of the tag's keys (() for the tag)."""
        key = {"register": "register_"}.get(str(path[0]), str(path[0])) if path else ""
        if key in self.inherited and self._defaults_place is not None:
            self._defaults_place.fault(("station", self._station, "defaults", *path), wrong, allowed, meant)
        else:
            self._place.fault((*self._path, *path), wrong, allowed, meant)


@dataclass
class Pieces:
    """What is good of a line file. Names of what is broken are kept, so that nothing is called unknown that stands there."""

    document: Document
    line: LineTable | None = None
    product: RecipeTable | ProductInLine | None = None
    length: LengthTable | None = None
    take_up: TakeUpTable | None = None
    rollups: RollupsTable | None = None
    mqtt: MqttTable | None = None
    notify: NotifyTable | None = None
    doors: DoorsTable | None = None
    endpoints: dict[str, AnyEndpoint] = field(default_factory=dict)
    stations: dict[str, StationTable] = field(default_factory=dict)
    tags: dict[str, WrittenTag] = field(default_factory=dict)
    computed: dict[str, ComputedTable] = field(default_factory=dict)
    broken_endpoints: set[str] = field(default_factory=set)
    broken_tags: set[str] = field(default_factory=set)
    files: list[Path] = field(default_factory=list)
    patched: set[str] = field(default_factory=set)

    def has(self, section: str, key: str) -> bool:
        """Whether a key stands in a section, good or not."""
        table = self.document.data.get(section)
        return isinstance(table, dict) and key in table

    def named_files(self, key: str) -> list[str]:
        """Files named in [line] under `key` (`rules` or `tags_csv`), even when another key of [line] is refused."""
        table = self.document.data.get("line")
        names = table.get(key, []) if isinstance(table, dict) else []
        names = [names] if isinstance(names, str) else names
        return [name for name in names if isinstance(name, str)] if isinstance(names, list) else []

    @property
    def endpoint_names(self) -> list[str]:
        """Every endpoint of the file, good or not."""
        return [*self.endpoints, *self.broken_endpoints]

    @property
    def tag_names(self) -> list[str]:
        """Every tag of the file, computed ones too, good or not."""
        return [*self.tags, *self.computed, *self.broken_tags]


def take_apart(document: Document) -> Pieces:
    """Validate each table of a line file, and the register lists that it names."""
    pieces = Pieces(document)
    data = document.data
    known = [field.alias or name for name, field in LineFile.model_fields.items()]
    for key in data:
        if key not in known:
            document.fault((key,), _misplaced(key) or "there is no such table or key", known, key)
    for name, model in LineFile.model_fields.items():
        if model.is_required() and name not in data and name != "format":
            document.fault((), f"the table [{_shown(name)}] is missing; config/README.md tells what stands in it")
    for name, section in _SECTIONS.items():
        if name in data:
            good = validate(section, document, (name,), data[name])
            if good is None and isinstance(data[name], dict):
                pieces.patched.add(name)
                good = salvage(section, data[name], _STAND_INS.get(name, {}))
            setattr(pieces, name, good)
    if "product" in data:
        product = data["product"]
        if isinstance(product, dict) and "from" in product:
            pieces.product = validate(RecipeTable, document, ("product",), product)
        else:
            pieces.product = validate(ProductInLine, document, ("product",), product)
    for name, table in _named(document, "endpoint"):
        _endpoint(pieces, name, table)
    for name, table in _named(document, "station"):
        _station(pieces, name, table)
    for row in _rows(pieces):
        _csv_tag(pieces, row)
    return pieces


def _shown(name: str) -> str:
    return {"endpoint": "endpoint.NAME", "station": "station.NAME"}.get(name, name)


def _misplaced(key: str) -> str:
    """A hint for a key that is right in another table."""
    homes = [name for name, model in _SECTIONS.items() if key in [f.alias or n for n, f in model.model_fields.items()]]
    return f"the key stands in [{homes[0]}], not before the first table" if homes else ""


def _named(document: Document, key: str) -> list[tuple[str, Any]]:
    """Tables of tables: name and table of each."""
    if key not in document.data:
        return []
    tables = document.data[key]
    if not isinstance(tables, dict):
        document.fault((key,), f"tables [{key}.NAME] are expected")
        return []
    if not tables:
        document.fault((key,), f"there is no {key}; at least one table [{key}.NAME] is needed")
    for name in tables:
        if not is_identifier(name):
            document.fault((key, name), f'"{name}" is no identifier; names are made of {IDENTIFIER_FORM}')
    return list(tables.items())


def _endpoint(pieces: Pieces, name: str, table: Any) -> None:
    document, path = pieces.document, ("endpoint", name)
    pieces.broken_endpoints.add(name)
    if not isinstance(table, dict):
        document.fault(path, "a table is expected")
        return
    protocol = table.get("protocol")
    if protocol is None:
        document.fault(path, "the key protocol is missing", PROTOCOLS)
        return
    if not isinstance(protocol, str):
        document.fault((*path, "protocol"), "text in quotes is expected", PROTOCOLS)
        return
    if protocol not in PROTOCOLS:
        document.fault((*path, "protocol"), f"{protocol!r} is no known protocol", PROTOCOLS, protocol)
        return
    good = validate(TABLES[protocol], document, path, table)
    if good is not None:
        pieces.endpoints[name] = good
        pieces.broken_endpoints.discard(name)


def _station(pieces: Pieces, name: str, table: Any) -> None:
    document, path = pieces.document, ("station", name)
    if name == "product":
        document.fault(path, 'no station may be called "product": rules name product values as product.KEY')
    inner: dict[str, dict[str, Any]] = {}
    head = table
    if isinstance(table, dict):
        inner = {key: table[key] for key in ("defaults", "tags", "computed") if isinstance(table.get(key), dict)}
        head = {**table, **{key: {} for key in inner}}
    good = validate(StationTable, document, path, head)
    pieces.stations[name] = good or StationTable.model_construct(position=0.0, aperture=0.0, latency=0.0)
    defaults = validate(TagTable, document, (*path, "defaults"), inner.get("defaults", {}))
    for tag, own in inner.get("tags", {}).items():
        where = (*path, "tags", tag)
        pieces.broken_tags.add(f"{name}.{tag}")
        _check_name(document, where, tag)
        table_of_tag = validate(TagTable, document, where, own)
        if table_of_tag is not None and defaults is not None:
            _keep(pieces, WrittenTag(name, tag, table_of_tag, defaults, document, where))
    if defaults is None:
        defaults = TagTable()
    pieces.stations[name] = pieces.stations[name].model_copy(update={"defaults": defaults})
    for tag, own in inner.get("computed", {}).items():
        where = (*path, "computed", tag)
        _check_name(document, where, tag)
        if tag in inner.get("tags", {}):
            document.fault(where, f"the station has a tag {tag} already, in its tags")
            continue
        computed = validate(ComputedTable, document, where, own)
        if computed is None:
            pieces.broken_tags.add(f"{name}.{tag}")
        else:
            pieces.computed[f"{name}.{tag}"] = computed


def _check_name(place: Place, path: KeyPath, name: str) -> None:
    if not is_identifier(name):
        place.fault(path, f'"{name}" is no identifier; names are made of {IDENTIFIER_FORM}')


def _keep(pieces: Pieces, tag: WrittenTag) -> None:
    pieces.tags[tag.name] = tag.with_defaults_in(pieces.document)
    pieces.broken_tags.discard(tag.name)


def _rows(pieces: Pieces) -> Iterable[Row]:
    for name in pieces.named_files("tags_csv"):
        path = pieces.document.path.parent / name
        pieces.files.append(path)
        yield from read_rows(path, pieces.document.faults)


def _csv_tag(pieces: Pieces, row: Row) -> None:
    name = f"{row.station}.{row.tag}"
    if row.station not in pieces.stations:
        row.fault((), f"there is no station {row.station} in the line file", tuple(pieces.stations), row.station)
        pieces.broken_tags.add(name)
        return
    if name in pieces.tag_names:
        row.fault((), f"the tag {name} stands twice: in the line file or in another row already; keep one of them")
        return
    pieces.broken_tags.add(name)
    _check_name(row, (), row.tag)
    table = validate(TagTable, row, (), row.table)
    if table is not None:
        _keep(pieces, WrittenTag(row.station, row.tag, table, pieces.stations[row.station].defaults, row, ()))
