"""`periodic`: periods found to 1 %, amplitudes within their standard error, parts named, aliases never passed off as periods."""

import numpy as np
import pytest

from metrepost.rules.periodic import turns_per_second
from metrepost.rules.spectrum import lines, sinc
from support_rules import FakeView, check_rule, conditions, feed, refusals, rule_of, settings_of, stream

TEXT = {"priority": "low", "cause": "c", "consequence": "q", "response": "r"}
RULE = {
    "kind": "periodic",
    "class": "process",
    "reads": "cold-gauge.diameter",
    "over": "40 m",
    "step": "10 m",
    "longest": "5 m",
    "amplitude": "4 um",
    "return_loss": "20 dB",
    "attenuation": "0.05 dB/m",
    "velocity": 0.81,
    "parts": {"haul-off": {"circumference": "1.571 m", "amplitude": "12 um"}},
    **TEXT,
}
NOISE = 0.005


def series(metres, period=None, amplitude=0.0, step=0.025, seed=1, noise=NOISE, extra=()):
    rng = np.random.default_rng(seed)
    x = np.arange(int(metres / step)) * step + 1000.0
    y = 4.80 + rng.normal(0, noise, len(x))
    for p, a in ((period, amplitude), *extra):
        if p:
            y += a * np.cos(2 * np.pi * x / p + rng.uniform(0, 6))
    return x, y


def found(x, y, **options):
    return lines(x, y, **{"shortest": 0.05, "longest": 20.0, "false_alarm": 0.01, **options})


@pytest.mark.parametrize("period", [0.13, 0.4, 1.571, 3.1, 5.0])
@pytest.mark.parametrize("amplitude", [0.002, 0.006, 0.02])
def test_period_within_one_per_cent_and_amplitude_within_its_error(period, amplitude):
    """200 m of 4.80 mm in 5 µm rms noise: 3 standard errors at 2 µm, 10 % from 6 µm on."""
    for seed in range(4):
        line = found(*series(200, period, amplitude, seed=seed))[0]
        assert line.period == pytest.approx(period, rel=0.01)
        assert abs(line.amplitude - amplitude) < 3.2 * line.error
        if amplitude >= 0.006:
            assert line.amplitude == pytest.approx(amplitude, rel=0.1)
        assert line.aliases == ()


def test_noise_has_no_lines_at_the_stated_level():
    """Stated: 1 in 100 windows. `bars_periodic.py` counts over thousands."""
    assert sum(bool(found(*series(200, seed=seed))) for seed in range(40)) <= 3


def test_two_lines_are_told_apart():
    x, y = series(200, 1.571, 0.008, extra=((0.9, 0.004),))
    strong, weak = found(x, y)[:2]
    assert strong.period == pytest.approx(1.571, rel=0.01)
    assert weak.period == pytest.approx(0.9, rel=0.01)
    assert weak.amplitude == pytest.approx(0.004, rel=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_a_period_of_a_tenth_read_every_67_mm_is_never_told_as_a_fifth(seed):
    x, y = series(200, 0.10, 0.01, step=0.067, seed=seed)
    for line in found(x, y):
        if line.period == pytest.approx(0.2, rel=0.05):
            assert any(alias == pytest.approx(0.10, rel=0.02) for alias in line.aliases)


def test_uneven_reading_says_which_of_the_two_it_is():
    rng = np.random.default_rng(4)
    x = 1000.0 + np.cumsum(rng.uniform(0.045, 0.089, 3000))
    y = 4.80 + 0.01 * np.cos(2 * np.pi * x / 0.10) + rng.normal(0, NOISE, len(x))
    for line in found(x, y):
        assert line.period != pytest.approx(0.2, rel=0.03)


def values(metres, period, amplitude, seed=1):
    return list(series(metres, period, amplitude, seed=seed)[1])


def test_the_rule_names_the_part_the_frequency_and_the_level():
    up, *_ = conditions(feed(rule_of(RULE), stream("cold-gauge.diameter", values(60, 1.571, 0.02))))
    assert up.limit == "line"
    assert "fits haul-off" in up.explanation
    assert "77.3 MHz" in up.explanation
    assert "dB foretold" in up.explanation
    assert up.value == pytest.approx(0.02, rel=0.1)


def test_a_part_within_its_own_allowance_is_silent_and_a_stranger_is_not():
    assert conditions(feed(rule_of(RULE), stream("cold-gauge.diameter", values(60, 1.571, 0.008)))) == []
    up, *_ = conditions(feed(rule_of(RULE), stream("cold-gauge.diameter", values(60, 0.9, 0.008))))
    assert "fits no declared part" in up.explanation


def test_ambiguous_lines_are_told_as_such():
    rule = rule_of(RULE | {"over": "60 m", "return_loss": "1 dB"})
    _, y = series(80, 0.10, 0.02, step=0.067)
    found_here = conditions(feed(rule, stream("cold-gauge.diameter", list(y), step=0.067)))
    for condition in found_here:
        assert "cannot tell which" in condition.explanation
        assert "0.100" in condition.explanation


def test_a_screw_is_found_by_its_turns():
    view = FakeView()
    table = RULE | {"parts": {"foam-screw": {"turns": "foam-extruder.screw"}}}
    steps = stream("cold-gauge.diameter", values(60, 2.0, 0.02))
    screw = stream("foam-extruder.screw", [view.speed * 60 / 2.0])
    up, *_ = conditions(feed(rule_of(table), [*screw, *steps], view))
    assert "fits foam-screw" in up.explanation


@pytest.mark.parametrize(("unit", "factor"), [("rpm", 1 / 60), ("1/min", 1 / 60), ("1/s", 1.0)])
def test_a_turn_is_a_turn_in_every_unit(unit, factor):
    assert turns_per_second(unit) == pytest.approx(factor)


def test_an_average_is_given_back_up_to_a_point():
    assert sinc(0.0) == 1.0
    assert sinc(0.5) == pytest.approx(2 / np.pi)


def test_the_battery():
    run = values(55, 0.9, 0.02) + values(70, None, 0.0, seed=3)
    check_rule(lambda: rule_of(RULE), stream("cold-gauge.diameter", run))


@pytest.mark.parametrize(
    ("changes", "key", "words"),
    [
        ({"reads": "cold-gauge.x_max"}, "reads", "out of shape"),
        ({"longest": "20 m"}, "over", "at least five"),
        ({"shortest": "6 m"}, "shortest", "shortest < longest"),
        ({"step": "0 m"}, "step", "0 < step"),
        ({"parts": {"wheel": {}}}, "parts.wheel", "one of them"),
        ({"amplitude": "4 bar"}, "amplitude", "wrong dimension"),
    ],
)
def test_refusals(changes, key, words):
    assert words in refusals(RULE | changes)[key]


@pytest.mark.parametrize("text", ["26", "26 mm", "-3 dB", "dB"])
def test_decibels_are_written_with_their_unit(text):
    with pytest.raises(ValueError, match="dB"):
        settings_of(RULE | {"return_loss": text})
