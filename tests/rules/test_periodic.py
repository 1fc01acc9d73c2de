"""`periodic`: periods found to 1 %, amplitudes within their standard error, parts named, aliases never passed off as periods."""

import json

import msgspec
import numpy as np
import pytest

from metrepost.line.plan import Product, Toleranced
from metrepost.rules.parts import turns_per_second
from metrepost.rules.spectrum import lines
from support_rules import (
    K480,
    T0,
    FakeSite,
    FakeView,
    Step,
    check_rule,
    conditions,
    feed,
    measured,
    refusals,
    rule_of,
    settings_of,
    stream,
)

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
    for seed in range(3):
        line = found(*series(200, period, amplitude, seed=seed))[0]
        assert line.period == pytest.approx(period, rel=0.01)
        assert abs(line.amplitude - amplitude) < 3 * line.error
        if amplitude >= 0.006:
            assert line.amplitude == pytest.approx(amplitude, rel=0.1)
        assert line.aliases == ()


def test_noise_has_no_lines_at_the_stated_level():
    """Stated: 1 in 100 windows. `bars_periodic.py` counts over thousands."""
    assert sum(bool(found(*series(200, seed=seed))) for seed in range(30)) <= 2


def test_two_lines_are_told_apart():
    x, y = series(200, 1.571, 0.008, extra=((0.9, 0.004),))
    strong, weak = found(x, y)[:2]
    assert strong.period == pytest.approx(1.571, rel=0.01)
    assert weak.period == pytest.approx(0.9, rel=0.01)
    assert weak.amplitude == pytest.approx(0.004, rel=0.1)


SAMPLINGS = {
    "even": lambda rng: 0.067 * np.arange(3000),
    "polls that jitter": lambda rng: 0.067 * np.arange(3000) + rng.uniform(-0.02, 0.02, 3000),
    "polls whose lateness adds up": lambda rng: np.cumsum(0.067 * (1 + 0.05 * rng.standard_normal(3000))),
    "at random": lambda rng: np.cumsum(rng.uniform(0.045, 0.089, 3000)),
    "two by two": lambda rng: 0.067 * np.arange(3000) + 0.02 * (np.arange(3000) % 2),
    "with holes": lambda rng: np.delete(0.067 * np.arange(3000), [*range(400, 520), *range(1500, 1560), *range(7, 2900, 11)]),
}


@pytest.mark.parametrize("shortest", [0.05, 0.2], ids=["looked for", "shorter than what is looked for"])
@pytest.mark.parametrize("amplitude", [0.0015, 0.01, 0.1])
@pytest.mark.parametrize("sampling", SAMPLINGS)
def test_a_period_of_a_tenth_read_every_67_mm_is_never_told_as_a_fifth(sampling, amplitude, shortest):
    rng = np.random.default_rng(4)
    x = 1000.0 + SAMPLINGS[sampling](rng)
    y = 4.80 + amplitude * np.cos(2 * np.pi * x / 0.10) + rng.normal(0, NOISE, len(x))
    told = found(x, y, shortest=shortest)
    for line in told:
        if line.period > 0.12:
            assert any(alias == pytest.approx(0.10, rel=0.01) for alias in line.aliases)
    if shortest < 0.1 and amplitude > 0.005:
        assert told, "and it is not hidden"
    if sampling == "even" and amplitude > 0.005:
        assert told[0].period == pytest.approx(0.2031, rel=0.01)
        assert told[0].aliases


@pytest.mark.parametrize("sampling", ["polls that jitter", "polls whose lateness adds up", "at random"])
def test_uneven_reading_says_which_of_the_two_it_is(sampling):
    rng = np.random.default_rng(4)
    x = 1000.0 + SAMPLINGS[sampling](rng)
    for period in (0.10, 0.20):
        line, *others = found(x, 4.80 + 0.01 * np.cos(2 * np.pi * x / period) + rng.normal(0, NOISE, len(x)))
        assert line.period == pytest.approx(period, rel=0.01)
        assert line.amplitude == pytest.approx(0.01, rel=0.1)
        assert line.aliases == ()
        assert others == []


@pytest.mark.parametrize("step", [0.0267, 0.067])
def test_drift_is_no_line_and_neither_is_its_alias(step):
    for seed in range(6):
        rng = np.random.default_rng(seed)
        x, y = series(200, step=step, seed=seed)
        y += 0.02 * np.sin(2 * np.pi * x / 70 + rng.uniform(0, 6)) + np.cumsum(rng.normal(0, 0.0002, len(x)))
        assert found(x, y) == []


def test_a_strong_line_leaves_no_ghosts_beside_it():
    assert len(found(*series(200, 1.57, 0.3))) == 1


def test_a_screw_that_wanders_is_one_line():
    """Its turns wander by 0.2 % rms round their mean."""
    rng = np.random.default_rng(6)
    x, y = series(200)
    wander = np.interp(x, np.linspace(1000, 1200, 40), rng.normal(0, 0.002, 40))
    told = found(x, y + 0.006 * np.cos(2 * np.pi * np.cumsum(0.025 * (1 + wander) / 1.667)))
    assert [line.period for line in told] == [pytest.approx(1.667, rel=0.01)]


def test_too_little_to_say_anything():
    assert found(*series(3)) == []
    assert found(*series(70)) == []
    assert found(np.arange(0.0, 4000.0, 10.0), np.arange(400) * 0.0) == []
    assert found(np.full(500, 7.0), np.full(500, 4.8)) == []


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


def mean_register(period, amplitude, piece, *, seed=2, metres=60):
    """Readings of a register that holds the mean over the `piece` metres before each."""
    rng = np.random.default_rng(seed)
    ends = np.arange(piece, metres, piece)
    k = 2 * np.pi / period
    y = 4.80 + amplitude * (np.sin(k * ends) - np.sin(k * (ends - piece))) / (k * piece) + rng.normal(0, 0.002, len(ends))
    whole = 0.001 + piece  # the aperture belongs to the piece
    return [
        Step("judge", T0 + i * 0.02, end, msgspec.structs.replace(
            measured("cold-gauge.mean", float(v), T0 + i * 0.02, float(end)), start=end - piece - 0.0005, end=end - piece + whole - 0.0005,
        ))
        for i, (end, v) in enumerate(zip(ends, y, strict=True))
    ]  # fmt: skip


def test_what_a_mean_register_took_away_is_given_back():
    """A mean over 50 mm leaves 63.7 % of a wave of 100 mm (2/π)."""
    up, *_ = conditions(feed(rule_of(RULE | {"reads": "cold-gauge.mean", "parts": {}}), mean_register(0.13, 0.02, 0.05)))
    line = up.data["lines"][0]
    candidates = [line["period"], *line["or"]]
    assert any(p == pytest.approx(0.13, rel=0.01) for p in candidates)
    assert line["amplitude"] == pytest.approx(0.02, rel=0.05)
    up, *_ = conditions(feed(rule_of(RULE | {"reads": "cold-gauge.mean", "parts": {}}), mean_register(0.5, 0.02, 0.1)))
    assert up.value == pytest.approx(0.02, rel=0.05)


def test_what_an_average_took_away_too_much_of_is_told_as_at_least():
    """A mean over 90 mm of a wave of 110 mm leaves 21 %."""
    rule = rule_of(RULE | {"reads": "cold-gauge.mean", "parts": {"knurl": {"circumference": "0.11 m"}}})
    up, *_ = conditions(feed(rule, mean_register(0.11, 0.05, 0.09)))
    assert "at least 0.01" in up.explanation
    assert "too little of it to say how much" in up.explanation
    assert up.value == pytest.approx(0.05 * 0.211, rel=0.15)


@pytest.mark.parametrize(("step", "period"), [(0.004, 0.06), (0.011, 0.06), (0.025, 0.06)])
def test_what_cells_took_away_is_given_back(step, period):
    """Cells are 12.5 mm: three readings, one or two, or none or one in each."""
    _, y = series(60, period, 0.02, step=step, noise=0.002)
    up, *_ = conditions(
        feed(rule_of(RULE | {"parts": {}}), stream("cold-gauge.diameter", list(y), step=step, every=step / 1.333))
    )
    assert up.data["lines"][0]["amplitude"] == pytest.approx(0.02, rel=0.03)


def test_another_line_is_told_under_the_same_alarm():
    more = list(series(60, 0.9, 0.02, seed=4, extra=((0.31, 0.02),))[1])
    told = conditions(feed(rule_of(RULE), stream("cold-gauge.diameter", values(60, 0.9, 0.02) + more)))
    assert [(c.active, c.pulse) for c in told] == [(True, False), (True, True)]
    assert [c.data["lines"][0]["period"] for c in told] == [pytest.approx(0.9, rel=0.01), pytest.approx(0.31, rel=0.01)]


def test_a_screw_is_compared_with_the_cable_it_made():
    """Its turns change when the gauge, 61.5 m downstream, still sees cable made before for long."""

    class Line(FakeView):
        def metre_now(self, station):
            return self.metre + 61.5 if station == "foam-extruder" else self.metre

    view = Line()
    x, y = series(140)
    y += np.where(x > 1085.0, 0.02 * np.cos(2 * np.pi * x / 2.0), 0.0)
    gauge = stream("cold-gauge.diameter", [float(v) for v in y])
    changed = next(i for i, each in enumerate(gauge) if each.metre > 86.0)
    before, after = (stream("foam-extruder.screw", [view.speed * 60 / p]) for p in (2.0, 1.3))
    table = RULE | {"parts": {"foam-screw": {"turns": "foam-extruder.screw", "amplitude": "12 um"}}, "step": "4 m"}
    up, *_ = conditions(feed(rule_of(table), [*before, *gauge[:changed], *after, *gauge[changed:]], view))
    assert up.metre > 90.0
    assert "fits foam-screw" in up.explanation


def test_a_screw_whose_speed_changed_within_the_window_is_not_said_to_fit():
    view = FakeView()
    table = RULE | {"parts": {"foam-screw": {"turns": "foam-extruder.screw"}}}
    gauge = stream("cold-gauge.diameter", values(60, 2.0, 0.02))
    turns = [stream("foam-extruder.screw", [view.speed * 60 / p])[0] for p in np.linspace(1.8, 2.2, 12)]
    mixed = [each for i, t in enumerate(turns) for each in (t, *gauge[i * 200 : (i + 1) * 200])]
    up, *_ = conditions(feed(rule_of(table), mixed, view))
    assert "not told apart from foam-screw, whose period went from 1.8" in up.explanation


def test_turns_that_are_not_known_are_said():
    table = RULE | {"parts": {"foam-screw": {"turns": "foam-extruder.screw"}}}
    up, *_ = conditions(feed(rule_of(table), stream("cold-gauge.diameter", values(60, 2.0, 0.02))))
    assert "fits no declared part" in up.explanation
    assert "Not known were the turns of foam-screw" in up.explanation


def test_a_level_worse_than_asked_raises_below_the_amplitude():
    table = RULE | {"parts": {}, "amplitude": "40 um", "return_loss": "26 dB"}
    up, *_ = conditions(feed(rule_of(table), stream("cold-gauge.diameter", values(60, 0.4, 0.012))))
    assert (up.unit, up.bound) == ("dB", 26.0)
    assert up.value < 26.0
    assert (
        conditions(feed(rule_of(table | {"return_loss": "1 dB"}), stream("cold-gauge.diameter", values(60, 0.4, 0.012)))) == []
    )


def test_velocity_comes_from_the_product_too():
    percent = {**K480.values, "velocity": Toleranced(81.0, None, "%")}
    site = FakeSite(products={"k75-480": Product("K75-480", percent)})
    rule = settings_of(RULE | {"velocity": "product.velocity"}).build("rule", site)
    assert site.failures == []
    view = FakeView()
    view.product = site.products["k75-480"]
    up, *_ = conditions(feed(rule, stream("cold-gauge.diameter", values(60, 1.571, 0.02)), view))
    assert "77.3 MHz" in up.explanation
    assert "has no value 'velocity'" in refusals(RULE | {"velocity": "product.velocity"})["velocity"]


def test_the_battery():
    """A short window, for the battery looks at every state on the way."""
    table = RULE | {"over": "10 m", "step": "2 m", "longest": "1 m", "parts": {"screw": {"turns": "foam-extruder.screw"}}}
    rng = np.random.default_rng(3)
    wave = 4.80 + 0.02 * np.cos(2 * np.pi * 0.025 * np.arange(560) / 0.5)
    run = [*(wave + rng.normal(0, NOISE, 560)), *(4.80 + rng.normal(0, NOISE, 640))]
    steps = stream("cold-gauge.diameter", [float(v) for v in run])
    check_rule(lambda: rule_of(table), [*stream("foam-extruder.screw", [160.0]), *steps])


def test_a_snapshot_of_200_m_is_small():
    """It goes to the journal every ten seconds: under 12 bytes a reading."""
    rule = rule_of(RULE | {"over": "200 m"})
    feed(rule, stream("cold-gauge.diameter", values(210, 0.9, 0.02)))
    assert len(json.dumps(rule.snapshot())) < 12 * 8000


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
