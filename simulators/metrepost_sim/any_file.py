"""Any line file as the simulator needs it: the registers and nodes that are served, and the stations of the core line behind them.

The core line has stations by fixed names (`hot-gauge`, `cold-gauge` …). `stand_ins` says which of them a station of the file is;
what the file has not got stands at a place where it shows nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from metrepost.configuration.plan import LoadedLine
from metrepost.endpoints.plan import Endpoint, ModbusEndpoint, ModbusPoint, MqttEndpoint, OpcUaEndpoint
from metrepost.line.plan import AxisPlan

from .foam import gas_share
from .line_file import LineFile, LineFileError, Node, Place, Register
from .roles import Role, hot_stations, roles_of, sizes

_LENGTHS = {"int16": 2.0**15, "uint16": 2.0**16, "int32": 2.0**31, "uint32": 2.0**32}
_KIND: dict[Role, str] = {
    "cut": "UInt32",
    "reel": "UInt32",
    "spark-faults": "UInt32",
    "recipe": "Int32",
    "threading": "Boolean",
    "emergency-stop": "Boolean",
    "spark-on": "Boolean",
    "bit": "Boolean",
}


@dataclass(frozen=True)
class AnyLine:
    """A line file taken apart for simulation.

    `file` is what is served, `core` the line file of the core line behind it. `protocols` are those of the served endpoints;
    `left_out` says why the others are not simulated. `stand_ins` maps stations with core gauges to those of the core line.
    `notes` are sentences for whoever runs it.
    """

    loaded: LoadedLine
    file: LineFile
    core: LineFile
    roles: Mapping[str, Role]
    stand_ins: Mapping[str, str]
    protocols: Mapping[str, str]
    patience: Mapping[str, float]
    left_out: Mapping[str, str]
    notes: tuple[str, ...]


def take_line(loaded: LoadedLine, roles: Mapping[str, Role] | None = None) -> AnyLine:
    """Take a loaded line apart; `roles` stand for those that are found. Raises LineFileError when no endpoint can be simulated."""
    given = roles or {}
    roles = {tag: given.get(tag, role) for tag, role in roles_of(loaded).items()}
    left_out = {e.name: why for e in loaded.endpoints if (why := _why_not(e))}
    served = [e for e in loaded.endpoints if e.name not in left_out]
    if not served:
        raise LineFileError("; ".join(f"endpoint {n}: {why}" for n, why in left_out.items()))
    plan, notes = loaded.plan, []
    products, values, filled = _products(loaded)
    notes += filled
    places = {s.name: Place(s.name, s.position, s.aperture, s.latency) for s in plan.stations.values()}
    axis = plan.axis or AxisPlan()
    registration = axis.registration
    registers = tuple(_register(p, e) for e in served if isinstance(e, ModbusEndpoint) for p in e.points)
    nodes = [
        _node(p.tag, p.node, p.path, p.scale, p.offset, e, loaded, roles)
        for e in served
        if isinstance(e, OpcUaEndpoint)
        for p in e.points
    ]
    for e in served:
        if isinstance(e, OpcUaEndpoint) and (e.security.policy != "None" or e.security.user):
            notes.append(f"endpoint {e.name} is simulated without security and logins: its clients must ask for policy None")
    file = LineFile(
        source=plan.source,
        places=places,
        registers=registers,
        nodes=tuple(n for n in nodes if n is not None),
        addresses={
            e.name: e.address if isinstance(e, OpcUaEndpoint) else e.where for e in served if not isinstance(e, MqttEndpoint)
        },
        protocols={e.name: "opcua" if isinstance(e, OpcUaEndpoint) else "modbus" for e in served},
        publish=0.1,
        reference=axis.reference,
        take_up=plan.take_up.position if plan.take_up else axis.reference,
        wraps_at=axis.wraps_at or _natural_wrap(registers, axis),
        resolution=axis.resolution,
        registration=(registration.length, registration.share, registration.time),
        product_values=values,
        product_targets=products,
    )
    core, stand_ins = _core_file(loaded, file, roles)
    protocols = {e.name: _protocol(e) for e in served}
    patience = {e.name: e.timeout for e in served}
    return AnyLine(loaded, file, core, roles, stand_ins, protocols, patience, left_out, tuple(notes))


def _why_not(endpoint: Endpoint) -> str:
    if isinstance(endpoint, MqttEndpoint):
        return "devices that publish over MQTT are not simulated; publish to its broker by other means"
    if isinstance(endpoint, ModbusEndpoint) and endpoint.serial is not None:
        return 'a serial line is not simulated; write protocol = "modbus-rtu-tcp" in a copy of the file to have its frames over TCP'
    return ""


def _protocol(endpoint: Endpoint) -> str:
    if isinstance(endpoint, ModbusEndpoint):
        return "modbus-rtu-tcp" if endpoint.framing == "rtu" else "modbus-tcp"
    return "opcua"


def _register(point: ModbusPoint, endpoint: ModbusEndpoint) -> Register:
    return Register(
        tag=point.tag,
        endpoint=endpoint.name,
        table=point.table,
        register=point.register,
        type=point.type,
        scale=point.scale,
        offset=point.offset,
        poll=point.poll,
        latency=point.latency,
        clears=point.clears_on_read,
        valid=(point.valid_low, point.valid_high),
        word_order=point.word_order,
        byte_order=point.byte_order,
        bit=point.bit,
        unit_id=endpoint.unit_of(point),
    )


def _node(
    tag: str,
    written: str,
    path: str,
    scale: float,
    offset: float,
    endpoint: OpcUaEndpoint,
    line: LoadedLine,
    roles: Mapping[str, Role],
) -> Node:
    kind = _KIND.get(roles[tag], "Double") if (scale, offset) == (1.0, 0.0) else "Double"
    return Node(tag, endpoint.name, "", "", line.plan.tags[tag].unit, scale, offset, kind, written, path)


def _natural_wrap(registers: tuple[Register, ...], axis: AxisPlan) -> float:
    """Where the register of the counter runs over by itself, m; 0 for one that does not within any run."""
    for r in registers:
        if r.tag == axis.counter and r.type in ("int16", "uint16"):
            return _LENGTHS[r.type] * r.scale * axis.counter_to_m
    return 0.0


def _products(loaded: LoadedLine) -> tuple[dict[int, dict[str, float]], dict[int, str], list[str]]:
    """Diameters (mm) and impedance (ohm) by recipe, names by recipe, and what had to be filled in. One product is recipe 0."""
    product = loaded.plan.product
    targets: dict[int, dict[str, float]] = {}
    names: dict[int, str] = {}
    notes: list[str] = []
    for place, (key, one) in enumerate(product.products.items()):
        recipe = int(key) if product.recipe and key.lstrip("-").isdigit() else place
        conductor, core = sizes(one.values)
        impedance = one.values["impedance"].target if "impedance" in one.values else 75.0
        try:
            gas_share(conductor, core, impedance)
        except (ValueError, ArithmeticError):
            # whatever the file says: the diameters are shown, the capacitance is that of a core half of gas
            impedance = _possible_impedance(conductor, core)
            notes.append(
                f"product {one.name}: no foam of these diameters has its impedance; simulated with {impedance:.0f} ohm"
            )
        if "dielectric" not in one.values or "conductor" not in one.values:
            notes.append(f"product {one.name} lacks a diameter; simulated with {core:g} mm over {conductor:g} mm")
        targets[recipe] = {"conductor": conductor, "dielectric": core, "impedance": impedance}
        names[recipe] = one.name
    if not targets:
        conductor, core = sizes({})
        targets[0] = {"conductor": conductor, "dielectric": core, "impedance": 75.0}
    return targets, names, notes


def _possible_impedance(conductor: float, core: float) -> float:
    for impedance in range(5, 400, 1):
        try:
            if 0.3 < gas_share(conductor, core, float(impedance)) < 0.7:
                return float(impedance)
        except (ValueError, ArithmeticError):
            continue
    raise LineFileError(f"no core of {core:g} mm over {conductor:g} mm can be simulated; correct the product")


def _core_file(loaded: LoadedLine, file: LineFile, roles: Mapping[str, Role]) -> tuple[LineFile, dict[str, str]]:
    """The line file of the core line, and which of its gauges each station with core gauges is."""
    plan = loaded.plan
    hot = hot_stations(loaded, roles)
    gauges = sorted({plan.tags[t].station for t, r in roles.items() if r == "core"}, key=lambda s: plan.stations[s].position)
    stand_ins: dict[str, str] = {}
    for station in gauges:
        wanted = "hot-gauge" if station in hot else "cold-gauge"
        stand_ins[station] = wanted if wanted not in stand_ins.values() else f"{wanted}-{station}"

    def first(*wanted: Role) -> str | None:
        return next((plan.tags[t].station for t, r in roles.items() if r in wanted), None)

    length = max((s.position for s in plan.stations.values()), default=0.0)
    reference = file.reference

    def at(name: str, station: str | None, otherwise: float) -> Place:
        return replace(file.places[station], name=name) if station else Place(name, otherwise, 0.0, 0.0)

    cold_at = max((plan.stations[s].position for s in gauges), default=reference)
    places = [
        at("bare-gauge", first("conductor"), -10.0),
        at("hot-gauge", None, min(1.0, cold_at)),
        at("cold-gauge", None, cold_at),
        at("capacitance-gauge", first("capacitance"), cold_at),
        at("trough", first("water"), cold_at / 2),
        at("wipe", first("air"), max(cold_at - 2.0, 0.0)),
        at("capstan", None, reference),
        at("spark-tester", first("spark-faults", "spark-voltage", "spark-on"), max(length, reference)),
        Place("plc", 0.0, 0.0, 0.0),
    ]
    by_name = {p.name: p for p in places}
    by_name |= {stand_in: at(stand_in, station, 0.0) for station, stand_in in stand_ins.items()}
    # what the truth tells of poll intervals goes by the names of the core line
    told: dict[str, Register] = {}
    for register in file.registers:
        station, _, _ = register.tag.partition(".")
        tag = plan.tags[register.tag]
        if station in stand_ins and tag.since_read:
            told.setdefault(f"{stand_ins[station]}.x_{tag.hold.value}", register)
        elif roles[register.tag] == "spark-faults":
            told.setdefault("spark-tester.faults", register)
    plain = [replace(r, tag=t, type="float64", scale=1.0, offset=0.0) for t, r in told.items() if t.count("-") == 1]
    return replace(file, places=by_name, registers=tuple(plain), nodes=()), stand_ins
