"""Names looked up across the tables of a line: tags and stations, with the nearest name for what is not there."""

from collections.abc import Mapping

from ..readings import Tag
from ..readings.units import factor, same_dimension
from .faults import Place
from .models.station_tables import StationTable
from .pieces import Pieces
from .toml_lines import KeyPath


class Lookup:
    """What the other tables may name. Names of broken tags are silently not found: their own fault is told already."""

    def __init__(self, pieces: Pieces, tags: Mapping[str, Tag]) -> None:
        self.tags = tags
        self.stations: Mapping[str, StationTable] = pieces.stations
        self.broken = pieces.broken_tags
        self._names = sorted(pieces.tag_names)

    def known(self, name: str) -> bool:
        """Whether the files have a tag of that name, good or not."""
        return name in self.tags or name in self._names

    def tag(self, name: str | None, place: Place, path: KeyPath) -> Tag | None:
        """The tag of that name; None for no name, and with a fault reported when there is no such tag."""
        if name is None or name in self.tags:
            return None if name is None else self.tags[name]
        if not self.known(name):
            self.unknown_tag(name, place, path)
        return None

    def unknown_tag(self, name: str, place: Place, path: KeyPath) -> None:
        """Report a tag that is not there."""
        form = "" if "." in name else "; a tag is written station.tag"
        place.fault(path, f'there is no tag "{name}"{form}', self._names, name)

    def station(self, name: str, place: Place, path: KeyPath) -> StationTable | None:
        """The station of that name, or None with a fault reported."""
        if name not in self.stations:
            place.fault(path, f'there is no station "{name}"', tuple(self.stations), name)
        return self.stations.get(name)


def in_unit_of(tag: Tag, unit: str, what: str, place: Place, path: KeyPath) -> float:
    """The factor from a tag's unit to `unit`; 1.0, with a fault reported, when it measures something else."""
    if not same_dimension(tag.unit, unit):
        place.fault(path, f"{what} is expected, and {tag.name} is in {shown_unit(tag.unit)}; correct the tag or its unit")
        return 1.0
    return factor(tag.unit, unit)


def shown_unit(unit: str) -> str:
    """A unit in a sentence."""
    return unit if unit not in ("", "1") else "no unit (a plain number)"
