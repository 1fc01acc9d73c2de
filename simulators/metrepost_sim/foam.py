"""Capacitance of the core in water: skin, foam and skin in series, the water being the outer conductor.

Series capacitors: C = 2 pi eps0 / sum(ln(r[i+1]/r[i]) / eps[i]) (elementary electrostatics). Permittivity of the foam after
Looyenga: eps^(1/3) = f + (1 - f) eps_solid^(1/3), f being the share of gas (H. Looyenga, Physica 31 (1965) 401; from memory).
"""

import math

import numpy as np

from .motion import Floats

EPS0 = 8.8541878188
"""Electric constant, pF/m (CODATA 2022; from memory)."""
SOLID = 2.28
"""Relative permittivity of solid polyethylene (common handbook value)."""
HALF_IMPEDANCE = 59.958491592
"""Impedance of vacuum over 2 pi, ohm."""
INNER_SKIN = 0.03
OUTER_SKIN = 0.06
"""Thickness of the skins, mm (common practice, no source)."""


def permittivity(gas: Floats) -> Floats:
    """Relative permittivity of foam with a share `gas` (0 to 1) of gas."""
    root: float = SOLID ** (1 / 3)
    return (gas + (1.0 - gas) * root) ** 3


def capacitance(conductor: Floats, core: Floats, gas: Floats) -> Floats:
    """Capacitance (pF/m) of a core of diameter `core` over `conductor` (mm) whose foam holds a share `gas` of gas."""
    inner = conductor + 2 * INNER_SKIN
    outer = core - 2 * OUTER_SKIN
    skins = (np.log(inner / conductor) + np.log(core / outer)) / SOLID
    return 2 * math.pi * EPS0 / (skins + np.log(outer / inner) / permittivity(gas))


def gas_share(conductor: float, core: float, impedance: float) -> float:
    """The share of gas that gives a core its nominal impedance (ohm), by bisection. Raises ValueError when none does."""
    ratio = math.log(core / conductor)
    wanted = 2 * math.pi * EPS0 * (HALF_IMPEDANCE * ratio / impedance) ** 2 / ratio
    low, high = 0.0, 1.0
    d, big = np.array([conductor]), np.array([core])
    if not capacitance(d, big, np.array([high]))[0] < wanted < capacitance(d, big, np.array([low]))[0]:
        raise ValueError(f"no foam of polyethylene gives {impedance} ohm with {core} mm over {conductor} mm")
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if capacitance(d, big, np.array([middle]))[0] > wanted else (low, middle)
    return (low + high) / 2
