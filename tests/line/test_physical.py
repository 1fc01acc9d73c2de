"""Physics as computed tags: aligned by metre, options from the product, quality carried through."""

import math

import pytest

from metrepost.assembly import assemble
from metrepost.line.computed import ComputedTag
from metrepost.line.plan import ComputedPlan, Product, Registration, Station, Toleranced
from metrepost.physics import coax
from metrepost.readings import BAD, GOOD, UNCERTAIN, Measured, Tag
from metrepost_sim.direct import DirectLine
from metrepost_sim.scenarios import scenario
from support_bars import bars_line

STATIONS = {"c": Station("c", 48.0, 0.1), "d": Station("d", 61.5, 0.001)}
TAGS = {"c.cap": Tag("c.cap", "c", "pF/m"), "d.dia": Tag("d.dia", "d", "um"), "d.eps": Tag("d.eps", "d", "")}
PRODUCT = Product("K75", {"conductor": Toleranced(1.02, 0.005, "mm")})


def measured(tag, metre, value, quality=GOOD):
    return Measured(tag, metre, value, quality, "", metre, metre - 0.001, metre + 0.001, 0.01, quality is not BAD, 1.0)


def permittivity(**options):
    plan = ComputedPlan("d.eps", "effective_permittivity", ("c.cap", "d.dia"), {"conductor": "product.conductor", **options})
    return ComputedTag(plan, TAGS, STATIONS, Registration())


def test_capacitance_and_diameter_of_one_metre_give_permittivity_whatever_the_units():
    made = permittivity()
    for metre in range(1000, 1030):
        made.reading(measured("c.cap", metre, 55.0 + 0.1 * (metre - 1000)), PRODUCT)
    found = made.reading(measured("d.dia", 1010.0, 4800.0), PRODUCT)
    assert found.value == pytest.approx(coax.effective_permittivity(56.0e-12, 1.02, 4.80), rel=1e-9)


def test_quality_is_carried_and_what_has_no_answer_is_bad_with_a_reason():
    made = permittivity()
    made.reading(measured("c.cap", 1000.0, 55.0, UNCERTAIN), PRODUCT)
    assert made.reading(measured("d.dia", 1000.0, 4800.0), PRODUCT).quality is UNCERTAIN
    made.reading(measured("c.cap", 1001.0, 55.0), PRODUCT)
    found = made.reading(measured("d.dia", 1001.0, 900.0), PRODUCT)
    assert found.quality is BAD
    assert "inner < outer" in found.reason
    for value in (-1.0, 20.0):  # less than vacuum between these diameters
        made.reading(measured("c.cap", 1001.5, value), PRODUCT)
        found = made.reading(measured("d.dia", 1001.5, 4800.0), PRODUCT)
        assert found.quality is BAD
        assert "below 1" in found.reason
    made.reading(measured("c.cap", 1002.0, 55.0), PRODUCT)
    found = made.reading(measured("d.dia", 1002.0, 4800.0), Product("bare"))
    assert (found.quality, found.reason) == (BAD, "product bare has no conductor")


def test_the_simulated_line_makes_75_ohm():
    core = assemble(bars_line())
    seen = {"impedance": [], "velocity": [], "foaming": []}
    for item in DirectLine(scenario("steady", 1)).inputs(40):
        for out in core.feed(item):
            if isinstance(out, Measured) and out.tag.partition(".")[2] in seen and out.quality is GOOD:
                seen[out.tag.partition(".")[2]].append(out.value)
    for low, high, name in ((73.0, 77.0, "impedance"), (78.0, 84.0, "velocity"), (40.0, 65.0, "foaming")):
        assert len(seen[name]) > 500
        mean = math.fsum(seen[name]) / len(seen[name])
        assert low < mean < high, (name, mean)
