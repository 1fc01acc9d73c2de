"""Computed tags that are physics: which inputs in which units, which options, which formula."""

from collections.abc import Callable, Mapping, Sequence

import msgspec

from ..physics import coax, corrections, foam

Options = Mapping[str, float | str]


class Option(msgspec.Struct, frozen=True):
    """One option. `unit` None: one of `choices`. Without `default` it must be given."""

    unit: str | None
    default: float | str | None = None
    choices: tuple[str, ...] = ()


class Physical(msgspec.Struct, frozen=True):
    """A formula as a computed tag: `inputs` are the units its inputs are turned into, in order; `unit` that of the result."""

    inputs: tuple[str, ...]
    unit: str
    options: dict[str, Option]
    formula: Callable[[Sequence[float], Options], float]


def _number(options: Options, name: str) -> float:
    return float(options[name])


def _permittivity(v: Sequence[float], o: Options) -> float:
    return coax.effective_permittivity(v[0] * 1e-12, _number(o, "conductor"), v[1])


def _impedance(v: Sequence[float], o: Options) -> float:
    return coax.impedance(_number(o, "conductor"), corrections.effective_outer(v[1], _number(o, "braid_wire")), v[0])


PHYSICAL: dict[str, Physical] = {
    # the gauge sees the core in water: the water is the outer conductor, at the core's own diameter
    "effective_permittivity": Physical(("pF/m", "mm"), "", {"conductor": Option("mm")}, _permittivity),
    # the finished cable: the outer conductor lies on the core, a braid stands off by its wires
    "impedance": Physical(("", "mm"), "ohm", {"conductor": Option("mm"), "braid_wire": Option("mm", 0.0)}, _impedance),
    "velocity_factor": Physical(("",), "%", {}, lambda v, o: 100.0 * coax.velocity_factor(v[0])),
    "delay": Physical(("",), "ns/m", {}, lambda v, o: 1e9 * coax.delay(v[0])),
    "foaming_degree": Physical(
        ("",),
        "%",
        {"model": Option(None, "looyenga", tuple(foam.MODELS)), "solid": Option("", foam.SOLID)},
        lambda v, o: 100.0 * foam.gas_share(v[0], str(o["model"]), _number(o, "solid")),
    ),
}
"""Physical functions by the name they have in files."""
