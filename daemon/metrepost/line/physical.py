"""Computed tags that are physics: which inputs in which units, which options, which formula (`metrepost.physics`)."""

from collections.abc import Callable, Mapping, Sequence

import msgspec

from ..physics import coax, corrections, foam, layers, mismatch

Options = Mapping[str, float | str]


class Option(msgspec.Struct, frozen=True):
    """One option. `unit` None: one of `choices`. `numbers`: the only values it may have. Without `default` it must be given,
    unless it stands `instead_of` another, with which it cannot stand together."""

    unit: str | None
    default: float | str | None = None
    choices: tuple[str, ...] = ()
    numbers: tuple[float, ...] = ()
    instead_of: str = ""

    @property
    def needed(self) -> bool:
        """Whether it must be given."""
        return self.default is None and not self.instead_of


class Physical(msgspec.Struct, frozen=True):
    """A formula as a computed tag.

    `takes` names its inputs, `inputs` are the units they are turned into, in order; `unit` is that of the result. `formula` gets
    values and options in those units; it raises ValueError with a sentence where there is no value.
    """

    takes: tuple[str, ...]
    inputs: tuple[str, ...]
    unit: str
    options: dict[str, Option]
    formula: Callable[[Sequence[float], Options], float]


STRAND = {
    "conductor": Option("mm"),
    "strands": Option("", 1.0, numbers=tuple(float(n) for n in corrections.STRAND_FACTOR)),
    "strand_factor": Option("", instead_of="strands"),
}
"""The conductor and what makes it smaller than it measures: the number of its strands, or the factor itself."""

BRAID = {"braid_wire": Option("mm", 0.0), "braid_factor": Option("", corrections.BRAID_WIRES)}
"""The braid over the core: its wire, and how many wires count on the diameter."""

FOAM = {"model": Option(None, "looyenga", tuple(foam.MODELS)), "solid": Option("", foam.SOLID)}
SKINS = {
    "inner_skin": Option("mm", 0.0),
    "outer_skin": Option("mm", 0.0),
    "skin_permittivity": Option("", foam.SOLID),
}


def _number(options: Options, name: str) -> float:
    return float(options[name])


def _inner(o: Options) -> float:
    conductor, factor = _number(o, "conductor"), o.get("strand_factor")
    if factor is not None:
        return corrections.effective_inner(conductor, 1, {1: float(factor)})
    return corrections.effective_inner(conductor, round(_number(o, "strands")))


def _outer(core: float, o: Options) -> float:
    return corrections.effective_outer(core, _number(o, "braid_wire"), _number(o, "braid_factor"))


def _permittivity(v: Sequence[float], o: Options) -> float:
    return coax.effective_permittivity(v[0] * 1e-12, _inner(o), v[1])


def _core_impedance(v: Sequence[float], o: Options) -> float:
    inner = _inner(o)
    return coax.impedance(inner, _outer(v[1], o), coax.effective_permittivity(v[0] * 1e-12, inner, v[1]))


def _layers(foam_permittivity: float, core: float, o: Options) -> list[layers.Layer]:
    inner_skin, outer_skin, skin = _number(o, "inner_skin"), _number(o, "outer_skin"), _number(o, "skin_permittivity")
    found = [layers.Layer(_number(o, "conductor") + 2 * inner_skin, skin)] if inner_skin > 0.0 else []
    found.append(layers.Layer(core - 2 * outer_skin, foam_permittivity))
    return [*found, layers.Layer(core, skin)] if outer_skin > 0.0 else found


def _foam_permittivity(v: Sequence[float], o: Options) -> float:
    inner, inner_skin = _inner(o), _number(o, "inner_skin")
    below = _number(o, "conductor") + 2 * inner_skin if inner_skin > 0.0 else inner
    above = v[1] - 2 * _number(o, "outer_skin")
    return layers.foam_permittivity(v[0], inner, below, above, v[1], _number(o, "skin_permittivity"))


def _reflection(v: Sequence[float], o: Options) -> float:
    return mismatch.reflection(v[0], _number(o, "reference"))


REFERENCE = {"reference": Option("ohm")}

PHYSICAL: dict[str, Physical] = {
    # the gauge sees the core in water: the water is the outer conductor, at the core's own diameter
    "effective_permittivity": Physical(("capacitance", "diameter"), ("pF/m", "mm"), "", STRAND, _permittivity),
    "capacitance": Physical(
        ("permittivity", "diameter"),
        ("", "mm"),
        "pF/m",
        STRAND,
        lambda v, o: 1e12 * coax.capacitance(_inner(o), v[1], v[0]),
    ),
    "inductance": Physical(
        ("diameter",), ("mm",), "nH/m", {**STRAND, **BRAID}, lambda v, o: 1e9 * coax.inductance(_inner(o), _outer(v[0], o))
    ),
    # the finished cable: the outer conductor lies on the core, a braid stands off by its wires
    "impedance": Physical(
        ("permittivity", "diameter"),
        ("", "mm"),
        "ohm",
        {**STRAND, **BRAID},
        lambda v, o: coax.impedance(_inner(o), _outer(v[1], o), v[0]),
    ),
    # the same from what gauges measure, so that no input is in it twice
    "core_impedance": Physical(("capacitance", "diameter"), ("pF/m", "mm"), "ohm", {**STRAND, **BRAID}, _core_impedance),
    "eccentric_impedance": Physical(
        ("permittivity", "diameter", "offset"),
        ("", "mm", "mm"),
        "ohm",
        {**STRAND, **BRAID},
        lambda v, o: coax.eccentric_impedance(_inner(o), _outer(v[1], o), v[2], v[0]),
    ),
    "impedance_from_capacitance": Physical(
        ("capacitance", "velocity"),
        ("pF/m", "%"),
        "ohm",
        {},
        lambda v, o: coax.impedance_from_capacitance(v[0] * 1e-12, v[1] / 100.0),
    ),
    "layered_permittivity": Physical(
        ("foam permittivity", "diameter"),
        ("", "mm"),
        "",
        {**STRAND, **SKINS},
        lambda v, o: layers.effective_permittivity(_inner(o), _layers(v[0], v[1], o)),
    ),
    "layered_impedance": Physical(
        ("foam permittivity", "diameter"),
        ("", "mm"),
        "ohm",
        {**STRAND, **SKINS},
        lambda v, o: layers.impedance(_inner(o), _layers(v[0], v[1], o)),
    ),
    "foam_permittivity": Physical(("permittivity", "diameter"), ("", "mm"), "", {**STRAND, **SKINS}, _foam_permittivity),
    "velocity_factor": Physical(("permittivity",), ("",), "%", {}, lambda v, o: 100.0 * coax.velocity_factor(v[0])),
    "delay": Physical(("permittivity",), ("",), "ns/m", {}, lambda v, o: 1e9 * coax.delay(v[0])),
    "cutoff": Physical(
        ("permittivity", "diameter"),
        ("", "mm"),
        "GHz",
        {**STRAND, **BRAID},
        lambda v, o: 1e-9 * coax.cutoff(1e-3 * _inner(o), 1e-3 * _outer(v[1], o), v[0]),
    ),
    "concentricity": Physical(
        ("thinnest wall", "thickest wall"), ("mm", "mm"), "%", {}, lambda v, o: coax.concentricity(v[0], v[1])
    ),
    "foaming_degree": Physical(
        ("permittivity",),
        ("",),
        "%",
        FOAM,
        lambda v, o: 100.0 * foam.gas_share(v[0], str(o["model"]), _number(o, "solid")),
    ),
    "foam_density": Physical(
        ("foaming degree",),
        ("%",),
        "g/cm^3",
        {"solid_density": Option("g/cm^3")},
        lambda v, o: foam.density(v[0] / 100.0, _number(o, "solid_density")),
    ),
    "mixture_permittivity": Physical(
        ("foaming degree",), ("%",), "", FOAM, lambda v, o: foam.MODELS[str(o["model"])](v[0] / 100.0, _number(o, "solid"))
    ),
    "reflection": Physical(("impedance",), ("ohm",), "", REFERENCE, _reflection),
    "return_loss": Physical(("impedance",), ("ohm",), "dB", REFERENCE, lambda v, o: mismatch.return_loss(_reflection(v, o))),
    "standing_wave_ratio": Physical(
        ("impedance",), ("ohm",), "", REFERENCE, lambda v, o: mismatch.standing_wave_ratio(_reflection(v, o))
    ),
    "mismatch_loss": Physical(
        ("impedance",), ("ohm",), "dB", REFERENCE, lambda v, o: mismatch.mismatch_loss(_reflection(v, o))
    ),
}
"""Physical functions by the name they have in files."""

OPTIONS = tuple(dict.fromkeys(name for function in PHYSICAL.values() for name in function.options))
"""Every option of a physical function: the keys of a computed tag that belong to some functions only."""
