import math

import numpy as np
import pytest

from metrepost_sim.flaws import Flaw, FlawTable, seen_by_axis, shape
from metrepost_sim.foam import capacitance, gas_share, permittivity
from metrepost_sim.line import CoreLine
from metrepost_sim.noise import wander, white
from metrepost_sim.scenario import ConductorFault, Disturbance, Surface
from support_simulators import small

RADIUS = 2.4


def test_foam_permittivity_after_looyenga():
    """Values for eps 2.28 computed from the published formula: f 0.5 gives 1.5532; f 0 and 1 are the ends."""
    assert permittivity(np.array([0.0, 0.5, 0.7, 1.0])) == pytest.approx([2.28, 1.5532, 1.3124, 1.0], abs=1e-4)


def test_capacitance_of_the_nominal_core_is_what_the_product_file_says():
    """75 ohm and the diameters give 55.07 pF/m: C = 55.6325 eps / ln(D/d), Z = 59.9585 ln(D/d) / sqrt(eps)."""
    gas = np.array([gas_share(1.02, 4.80, 75.0)])
    assert 0.5 < gas[0] < 0.7
    assert capacitance(np.array([1.02]), np.array([4.80]), gas)[0] == pytest.approx(55.07, abs=0.01)


def test_an_impedance_that_no_foam_gives_is_refused():
    with pytest.raises(ValueError, match="no foam"):
        gas_share(1.02, 4.80, 200.0)


def test_an_axis_sees_a_lump_in_front_of_it_whole_and_a_narrow_one_between_the_axes_not_at_all():
    lump = Flaw("lump", 0.0, 0.1, 0.05, angle=0.0, width=20.0)
    assert seen_by_axis(lump, 0.0, 0.0, RADIUS) == pytest.approx(1.0)
    assert seen_by_axis(lump, 180.0, 0.0, RADIUS) == pytest.approx(1.0)  # an axis looks at both sides
    assert seen_by_axis(lump, 0.0, 45.0, RADIUS) == 0.0
    assert seen_by_axis(lump, 90.0, 45.0, RADIUS) == 0.0


def test_the_blind_sector_ends_where_the_geometry_says():
    """A bump of height h shows past the round of the core while (R + h) cos(angle) > R."""
    lump = Flaw("lump", 0.0, 0.1, 0.05, angle=0.0, width=0.001)
    edge = math.degrees(math.acos(RADIUS / (RADIUS + 0.1)))
    assert seen_by_axis(lump, 0.0, edge - 0.2, RADIUS) > 0.0
    assert seen_by_axis(lump, 0.0, edge + 0.2, RADIUS) == 0.0


def test_a_ring_rises_on_both_sides_to_its_height_in_all():
    assert seen_by_axis(Flaw("lump", 0.0, 0.1, 0.05), 37.0, 0.0, RADIUS) == pytest.approx(1.0)
    assert seen_by_axis(Flaw("neck", 0.0, 0.1, 0.05), 37.0, 0.0, RADIUS) == pytest.approx(1.0)


def test_a_narrow_neck_is_hidden_by_the_sound_surface_beside_it():
    assert seen_by_axis(Flaw("neck", 0.0, 0.1, 0.05, 0.0, 10.0), 0.0, 0.0, RADIUS) < 0.15


@pytest.mark.parametrize("kind", ["lump", "neck", "drop"])
def test_shapes_are_whole_in_the_middle_and_gone_at_the_ends(kind):
    flaw = Flaw(kind, 5.0, 0.1, 0.02)
    assert shape(flaw, np.array([4.99, 5.0, 5.01])) == pytest.approx([0.0, 1.0, 0.0], abs=1e-5)


def test_the_table_finds_what_lies_on_a_piece():
    table = FlawTable([Flaw("lump", 10.0, 0.1, 1.0), Flaw("drop", 10.4, 0.1, 0.01), Flaw("lump", 12.0, 0.1, 0.1)])
    assert [flaw.metre for _, flaw in table.overlapping(10.39, 10.5)] == [10.0, 10.4]
    assert not list(table.overlapping(10.6, 11.9))


def test_white_noise_is_standard_and_depends_on_the_moment_alone():
    t = np.arange(200_000) / 1000.0
    noise = white(7, t)
    assert abs(noise.mean()) < 0.01
    assert noise.std() == pytest.approx(1.0, abs=0.01)
    assert abs(np.corrcoef(noise[1:], noise[:-1])[0, 1]) < 0.01
    assert (white(7, t[500:600]) == noise[500:600]).all()
    assert not (white(8, t[:100]) == noise[:100]).any()


def test_wander_has_unit_deviation():
    assert wander(3, np.arange(0.0, 5000.0, 0.1), (7.0, 41.0, 173.0)).std() == pytest.approx(1.0, abs=0.05)


def test_hot_core_is_larger_by_the_shrink():
    line = CoreLine(small())
    metres = np.linspace(1010.0, 1050.0, 50)
    assert line.cable.hot(metres) * (1 - 0.02) == pytest.approx(line.cable.cold(metres), abs=0.001)
    assert line.cable.cold(metres).mean() == pytest.approx(4.80, abs=0.01)


def test_gas_acts_on_diameter_and_capacitance_at_the_cable_made_meanwhile():
    dip = Disturbance("nitrogen", 20.0, -10.0, rise=1.0, hold=8.0, fall=1.0)
    line, calm = CoreLine(small(disturbances=(dip,))), CoreLine(small())
    during = line.metre("inner-extruder", np.array([25.0]))
    assert (line.cable.cold(during) - calm.cable.cold(during))[0] == pytest.approx(-0.05, abs=1e-6)
    assert (line.cable.capacitance(during) - calm.cable.capacitance(during))[0] > 0.3  # less gas, more capacitance
    before = line.metre("inner-extruder", np.array([15.0]))
    assert line.cable.cold(before) == pytest.approx(calm.cable.cold(before))
    assert line.value("foam-extruder.nitrogen", np.array([25.0]))[0] == pytest.approx(110.0, abs=1.0)


def test_warm_water_swells_the_cold_core_only():
    warm = Disturbance("water", 20.0, 10.0, rise=1.0, hold=8.0, fall=1.0)
    line, calm = CoreLine(small(disturbances=(warm,))), CoreLine(small())
    during = line.metre("trough", np.array([25.0]))
    assert (line.cable.cold(during) - calm.cable.cold(during))[0] == pytest.approx(4.8 * 1.6e-4 * 10.0, abs=2e-4)
    assert line.cable.hot(during) == pytest.approx(calm.cable.hot(during))


@pytest.mark.parametrize(("speed", "rpm"), [(60.0, 30.0), (120.0, 48.0)])
def test_screw_prints_its_period_in_time_as_a_length(speed, rpm):
    """60 m/min and 30 rev/min print 2.0 m (arithmetic)."""
    surface = Surface(drift=0.0, screw=0.003, screw_rpm=rpm, haul_off=0.0)
    line = CoreLine(small(speed=speed, surface=surface))
    step = 0.02
    metres = np.arange(1010.0, 1010.0 + 40.0, step)
    spectrum = np.abs(np.fft.rfft(line.cable.cold(metres) - line.cable.cold(metres).mean()))
    assert 1.0 / (np.argmax(spectrum[5:]) + 5) * 40.0 == pytest.approx(speed / rpm, rel=0.05)


def test_a_thin_conductor_shows_at_the_bare_gauge_and_in_the_capacitance():
    line, calm = CoreLine(small(conductor=(ConductorFault(1090.0, 1.0, -0.02),))), CoreLine(small())
    at = np.array([line.motion.time_of(1090.0 - 76.0)])
    assert (line.value("bare-gauge.x", at) - calm.value("bare-gauge.x", at))[0] == pytest.approx(-0.02)
    metre = np.array([1090.0])
    assert (line.cable.capacitance(metre) - calm.cable.capacitance(metre))[0] < -0.5
