"""The line file, read for what a simulator needs: positions, registers and nodes, so that the two can never drift apart."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import metrepost
from metrepost.readings.units import Quantity

Table = Literal["coil", "discrete", "input", "holding"]
WORDS = {"bool": 1, "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "int64": 4, "uint64": 4, "float64": 4}
"""Registers that each number type takes."""
FILE_NAME = "core-3.toml"


class LineFileError(ValueError):
    """The line file lacks something, or holds something that the simulated line cannot make."""


@dataclass(frozen=True)
class Place:
    """A station: `position` and `aperture` in metres, `latency` in seconds."""

    name: str
    position: float
    aperture: float
    latency: float


@dataclass(frozen=True)
class Register:
    """One tag behind Modbus. `poll` in seconds; raw = (value - offset) / scale; registers are zero-based."""

    tag: str
    endpoint: str
    table: Table
    register: int
    type: str
    scale: float
    offset: float
    poll: float
    latency: float
    clears: bool
    valid: tuple[float, float]
    word_order: str = "big"
    byte_order: str = "big"
    bit: int | None = None
    unit_id: int = 1

    @property
    def words(self) -> int:
        """Registers it takes."""
        return WORDS[self.type]


@dataclass(frozen=True)
class Node:
    """One tag behind OPC UA, by namespace uri and string identifier; raw = (value - offset) / scale."""

    tag: str
    endpoint: str
    uri: str
    identifier: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    kind: str = ""
    """Type of the value: Boolean, UInt32, Int32 or Double; "" leaves it to the tag's name."""
    written: str = ""
    """The node id as the line file has it, where it is not made of `uri` and `identifier`."""
    path: str = ""
    """The browse path, for a node that is found by one."""


@dataclass(frozen=True)
class LineFile:
    """What the file says. `addresses` are the endpoints' own; servers may be started on other ports."""

    source: str
    places: Mapping[str, Place]
    registers: tuple[Register, ...]
    nodes: tuple[Node, ...]
    addresses: Mapping[str, str]
    protocols: Mapping[str, str]
    publish: float
    reference: float
    take_up: float
    wraps_at: float
    resolution: float
    registration: tuple[float, float, float]
    product_values: Mapping[int, str]
    product_targets: Mapping[int, Mapping[str, float]] = field(default_factory=dict)

    @cached_property
    def tags(self) -> frozenset[str]:
        """Every tag read from an endpoint (computed ones are left out)."""
        return frozenset(r.tag for r in self.registers) | frozenset(n.tag for n in self.nodes)

    def place(self, name: str) -> Place:
        """A station. Raises LineFileError when the file has none of that name."""
        try:
            return self.places[name]
        except KeyError:
            raise LineFileError(f"the line file has no station {name!r}; it has {', '.join(sorted(self.places))}") from None


def default_line_file() -> Path:
    """The shipped line file: beside the installed package, or in ``config/`` of a checkout."""
    shipped = Path(metrepost.__file__).parent / "shipped" / "config" / FILE_NAME
    return shipped if shipped.exists() else Path(__file__).parents[2] / "config" / FILE_NAME


def _to(text: Any, unit: str, default: float = 0.0) -> float:
    return default if text is None else Quantity.parse(text).to(unit)


def _valid(row: Mapping[str, Any]) -> tuple[float, float]:
    pair = row.get("valid")
    if pair is None:
        return (float("-inf"), float("inf"))
    unit = row.get("unit", "")
    return (Quantity.parse(pair[0]).to(unit), Quantity.parse(pair[1]).to(unit))


def _node(tag: str, row: Mapping[str, Any]) -> Node:
    uri, _, identifier = str(row["node"]).partition(";")
    if not uri.startswith("nsu=") or not identifier.startswith("s="):
        raise LineFileError(
            f"{tag}: node {row['node']!r} is not of the form nsu=<uri>;s=<name>, which the simulated server needs"
        )
    return Node(tag, row["endpoint"], uri[4:], identifier[2:], row.get("unit", ""))


def _register(tag: str, row: Mapping[str, Any], endpoint: Mapping[str, Any], latency: float) -> Register:
    if row.get("word_order", "big") != "big" or row.get("byte_order", "big") != "big":
        raise LineFileError(f"{tag}: the simulated devices speak big-endian only; leave word_order and byte_order out")
    since_read = row.get("window") == "since-read"
    return Register(
        tag=tag,
        endpoint=row["endpoint"],
        table=row.get("table", "holding"),
        register=int(row["register"]) - int(endpoint.get("address_base", 0)),
        type=row.get("type", "uint16"),
        scale=float(row.get("scale", 1.0)),
        offset=float(row.get("offset", 0.0)),
        poll=_to(row.get("poll", endpoint.get("poll", "1 s")), "s"),
        latency=latency,
        clears=bool(row.get("clears_on_read", since_read)),
        valid=_valid(row),
    )


def _products(folder: Path, values: Mapping[str, str]) -> dict[int, dict[str, float]]:
    """Nominal conductor and core diameter (mm) of each recipe, from the product files beside the line file."""
    targets: dict[int, dict[str, float]] = {}
    for recipe, name in values.items():
        product = tomllib.loads((folder / "products" / f"{name}.toml").read_text("utf-8"))["product"]
        mm = {key: Quantity.parse(product[key]["target"]).to("mm") for key in ("conductor", "dielectric")}
        targets[int(recipe)] = mm | {"impedance": Quantity.parse(product["impedance"]).to("ohm")}
    return targets


def read_line_file(path: Path | None = None) -> LineFile:
    """Read the line file (the shipped one when left out).

    Raises LineFileError or a plain KeyError/OSError: the daemon's own loader is the place for good messages about files.
    """
    path = path or default_line_file()
    text = tomllib.loads(path.read_text("utf-8"))
    places: dict[str, Place] = {}
    registers: list[Register] = []
    nodes: list[Node] = []
    endpoints: Mapping[str, Any] = text["endpoint"]
    for name, station in text["station"].items():
        latency = _to(station.get("latency"), "s")
        places[name] = Place(name, _to(station["position"], "m"), _to(station.get("aperture"), "m"), latency)
        for local, own in station.get("tags", {}).items():
            row = {**station.get("defaults", {}), **own}
            tag = f"{name}.{local}"
            if "node" in row:
                nodes.append(_node(tag, row))
            else:
                registers.append(_register(tag, row, endpoints[row["endpoint"]], latency))
    line, length, product = text["line"], text["length"], text["product"]
    registration = length.get("registration", {})
    values = product.get("values", {})
    opcua = [e for e in endpoints.values() if e["protocol"] == "opcua"]
    return LineFile(
        source=f"/{line['plant']}/{line.get('area', '-')}/{line['name']}",
        places=places,
        registers=tuple(registers),
        nodes=tuple(nodes),
        addresses={name: e["address"] for name, e in endpoints.items()},
        protocols={name: e["protocol"] for name, e in endpoints.items()},
        publish=_to(opcua[0].get("publish", "100 ms"), "s") if opcua else 0.1,
        reference=places[length["reference"]].position,
        take_up=_to(text["take_up"]["position"], "m"),
        wraps_at=_to(length.get("wraps_at"), "m"),
        resolution=_to(length.get("resolution", "0.01 m"), "m"),
        registration=(
            _to(registration.get("length", "0.05 m"), "m"),
            _to(registration.get("share", "0.1 %"), "1"),
            _to(registration.get("time", "20 ms"), "s"),
        ),
        product_values={int(key): name for key, name in values.items()},
        product_targets=_products(path.parent, values),
    )
