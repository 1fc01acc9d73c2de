"""Stations of the line plan."""

from ..line.plan import Station
from .pieces import Pieces


def resolve_stations(pieces: Pieces) -> dict[str, Station]:
    """Stations by name, in the order of the file."""
    return {name: Station(name, table.position, table.aperture, table.latency) for name, table in pieces.stations.items()}
