"""Cascades of uniform line sections by scikit-rf, and fields of two round conductors: what the formulas of a line are compared with."""

import numpy as np
import skrf
from skrf.media import DefinedGammaZ0, DistributedCircuit

C = 299_792_458.0
SECTIONS = 40
"""A period in so many steps lacks 0.009 dB of its sinusoid (the sinc of half a step)."""


def spike(section_at, mean, period, turns, velocity, width, points=81):
    """The spike of `turns` periods of `period` m: its frequency (Hz) and |Γ|, seen from `mean` ohm and ended in it.

    `section_at(frequency, phase)` is the scikit-rf medium at a phase of the period; the window is v/2P·(1 ± `width`). scikit-rf makes
    and joins the sections, then the periods, doubled again and again.
    """
    centre = velocity * C / (2 * period)
    frequency = skrf.Frequency.from_f(centre * (1 + np.linspace(-width, width, points)), unit="hz")
    one = None
    for phase in 2 * np.pi * (np.arange(SECTIONS) + 0.5) / SECTIONS:
        medium = section_at(frequency, phase)
        section = medium.line(period / SECTIONS, "m", z0=medium.z0)
        section.renormalize(mean)
        one = section if one is None else one**section
    total, power, left = None, one, turns
    while left:
        if left & 1:
            total = power if total is None else total**power
        left >>= 1
        power = power**power if left else power
    seen = np.abs(total.s[:, 0, 0])
    return float(frequency.f[seen.argmax()]), float(seen.max())


def by_propagation(ohm_at, velocity, attenuation):
    """Sections of real impedance `ohm_at(phase)`, velocity factor and attenuation (dB/m) alike at all frequencies."""

    def section(frequency, phase):
        gamma = attenuation * np.log(10) / 20 + 2j * np.pi * frequency.f / (velocity * C)
        return DefinedGammaZ0(frequency, gamma=gamma, z0=ohm_at(phase))

    return section


def by_distributed_circuit(ohm_at, velocity, attenuation, mean, centre):
    """Sections of R, L, C: loss in the conductors, rising with the root of frequency, `attenuation` (dB/m) at `centre` (Hz). Their
    impedance is complex, as that of a real cable."""

    def section(frequency, phase):
        ohm = ohm_at(phase)
        resistance = 2 * mean * attenuation * np.log(10) / 20 * np.sqrt(frequency.f / centre)
        return DistributedCircuit(
            frequency, R=resistance, L=ohm / (velocity * C), C=1 / (ohm * velocity * C), G=np.zeros(len(frequency.f))
        )

    return section


def field_capacitance(inner, outer, offset, n=200):
    """C/ε0 of two round conductors by charge simulation: line charges inside each surface, potentials matched on the surfaces.

    Solves Laplace's equation numerically; shares no formula with the code under test.
    """
    a, b = inner / 2, outer / 2
    angles = np.arange(n) * 2 * np.pi / n
    on = np.exp(1j * angles)
    # the charges must lie between a surface and the images it sees, or the sum does not converge
    gap = b - a - offset
    near = 0.5 * min(gap, a)
    surface = np.concatenate([offset + a * on, b * on])
    charges = np.concatenate([offset + (a - near) * on, (b + 0.5 * min(gap, b)) * on])
    potential = -np.log(np.abs(surface[:, None] - charges[None, :])) / (2 * np.pi)
    matrix = np.block([[potential, np.ones((2 * n, 1))], [np.ones((1, 2 * n)), np.zeros((1, 1))]])
    wanted = np.concatenate([np.ones(n), np.zeros(n), [0.0]])
    found, *_ = np.linalg.lstsq(matrix, wanted, rcond=None)
    return found[:n].sum()


def mapped_capacitance(inner, outer, offset):
    """C/ε0 of the same by a conformal map: the Möbius map that makes both circles concentric, then the logarithm of their radii."""
    a, b, e = inner / 2, outer / 2, offset
    if e == 0:
        return 2 * np.pi / np.log(b / a)
    # points that are inverse to each other in both circles: x·y = b², (x − e)(y − e) = a²
    total = (b * b + e * e - a * a) / e
    x = (total - np.sqrt(total * total - 4 * b * b)) / 2
    y = b * b / x

    def mapped(z):
        return (z - x) / (z - y)

    at_outer = [abs(mapped(b * np.exp(1j * t))) for t in (0.0, 1.0, 2.5)]
    at_inner = [abs(mapped(e + a * np.exp(1j * t))) for t in (0.0, 1.0, 2.5)]
    assert np.ptp(at_outer) < 1e-9 * at_outer[0], "the map must make a circle of the outer conductor"
    assert np.ptp(at_inner) < 1e-9 * at_inner[0], "the map must make a circle of the inner conductor"
    return 2 * np.pi / abs(np.log(at_outer[0] / at_inner[0]))
