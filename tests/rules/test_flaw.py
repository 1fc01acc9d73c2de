"""The wet gauge: drops are suppressed on positive evidence only; lumps never are."""

import pytest

from metrepost.readings import Act
from metrepost.rules.flaw import FlawSettings
from support_gauges import GaugeSite, TwoGauges

BASE = {
    "kind": "flaw",
    "class": "product",
    "reads": ["cold.x_max", "cold.y_max"],
    "direction": "lump",
    "baseline": "5 m",
    "height": "0.06 mm",
    "witness": {"reads": ["hot.x_max", "hot.y_max"], "max_length": "100 mm", "up_to_speed": "80 m/min"},
}
AT = 1090.0  # a metre both gauges have a baseline at


def make(site=None, **changes):
    site = site or GaugeSite()
    settings = FlawSettings.model_validate({**BASE, **changes})
    return settings.build("cold-lump", site)


def refusals(site=None, **changes):
    site = site or GaugeSite()
    FlawSettings.model_validate({**BASE, **changes}).build("cold-lump", site)
    return site.faults


@pytest.mark.parametrize("speed", [20, 40, 79])
@pytest.mark.parametrize("height", [0.09, 0.4])
def test_a_drop_with_a_clean_witness_is_suppressed_and_journalled(speed, height):
    world = TwoGauges(make(), speed=speed, drops=[(AT, AT + 0.01, height)]).run_to(AT + 2)
    assert world.raised == []
    (drop,) = world.told("drop")
    assert drop.start <= AT <= drop.end
    assert drop.height == pytest.approx(height, abs=0.01)
    assert drop.witness["rise"] < 0.03
    assert drop.trace
    assert drop.witness_trace
    assert drop.provisional


@pytest.mark.parametrize("length", [0.005, 0.05, 0.15])
def test_a_lump_is_alarmed_once_whatever_its_length(length):
    world = TwoGauges(make(), lumps=[(AT, AT + length, 0.08)]).run_to(AT + 2)
    assert len(world.raised) == 1
    (flaw,) = world.told("flaw")
    assert flaw.verdict == "lump"
    assert flaw.start <= AT
    assert flaw.end >= AT + length
    assert world.told("drop") == []


def test_the_offset_between_the_gauges_is_observed_from_shared_marks_and_reported():
    lumps = [(AT + 3 * n, AT + 3 * n + 0.02, 0.1) for n in range(5)]
    world = TwoGauges(make(), lumps=lumps).run_to(AT + 15)
    told = world.told("flaw")
    assert [f.witness["offset_marks"] for f in told] == [1, 2, 3, 4, 5]
    assert abs(told[-1].witness["offset_median"]) < 0.03


def test_a_high_drop_on_a_small_lump_does_not_hide_it():
    """Half of the limit's height counts, not half of this excursion's."""
    world = TwoGauges(make(), lumps=[(AT, AT + 0.02, 0.04)], drops=[(AT, AT + 0.02, 0.3)]).run_to(AT + 2)
    assert [c.verdict for c in world.raised] == ["lump"]


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda w: setattr(w, "hot_alive", False), "no reading"),
        (lambda w: setattr(w, "hot_frozen", 4.8003), "frozen"),
        (lambda w: w.view.breaks.append(w.view.now + 50), "length axis broke"),
        (lambda w: w.lose.update(range(w.polls, w.polls + 12_000, 3)), "not good there"),
    ],
    ids=["dead", "frozen", "axis", "lost answers"],
)
def test_without_a_witness_a_drop_is_alarmed_and_says_why(spoil, reason):
    world = TwoGauges(make(), drops=[(AT, AT + 0.01, 0.2)])
    world.run_to(1010)
    spoil(world)
    world.run_to(AT + 2)
    (condition,) = world.raised
    assert condition.verdict == "unwitnessed"
    assert reason in condition.explanation


def test_above_the_speed_drops_are_not_told_apart_and_alarm():
    world = TwoGauges(make(), speed=90, drops=[(AT, AT + 0.01, 0.2)]).run_to(AT + 2)
    (condition,) = world.raised
    assert condition.verdict == "unwitnessed"
    assert "m/min" in condition.explanation


def test_instant_witness_readings_leave_holes_and_never_suppress():
    rule = make(
        reads=["cold.x", "cold.y"],
        witness={"reads": ["hot.x", "hot.y"], "max_length": "100 mm", "up_to_speed": "80 m/min"},
    )
    world = TwoGauges(rule, hold="instant", drops=[(AT, AT + 0.03, 0.2)]).run_to(AT + 2)
    (condition,) = world.raised
    assert condition.verdict == "unwitnessed"
    assert "did not look" in condition.explanation


def test_a_lump_born_after_the_hot_gauge_is_a_provisional_drop_and_listed():
    """The known weakness, stated: no witness could see it."""
    world = TwoGauges(make(), late=[(AT, AT + 0.02, 0.1)]).run_to(AT + 2)
    assert world.raised == []
    assert world.told("drop")[0].provisional


def test_a_drop_seen_downstream_of_the_capstan_is_reclassified():
    world = TwoGauges(make(), late=[(AT, AT + 0.02, 0.1)]).run_to(AT + 2)
    found = world.rule.act(Act("drop_seen", world.view.now, metre=AT, text="at the accumulator"), world.view)
    assert found[0].data.kind == "reclassified"
    assert [c.verdict for c in found[1:]] == ["reclassified"]
    assert world.rule.act(Act("drop_seen", world.view.now, metre=AT), world.view) == []


def test_drops_that_recur_at_one_spacing_are_reclassified_and_later_ones_alarm_at_once():
    late = [(AT + 1.571 * i, AT + 1.571 * i + 0.01, 0.1) for i in range(12)]
    world = TwoGauges(make(), late=late).run_to(AT + 1.571 * 12)
    (told,) = world.told("reclassified")
    assert told.period == pytest.approx(1.571, abs=0.01)
    alarmed = {round((c.metre - AT) / 1.571) for c in world.raised}
    assert alarmed == set(range(12))


def test_without_a_witness_setting_the_alarm_comes_with_the_first_reading_over_the_limit():
    rule = make(witness=None)
    world = TwoGauges(rule, lumps=[(AT, AT + 0.1, 0.08)]).run_to(AT + 0.06)
    assert len(world.raised) == 1
    assert not world.raised[0].pulse
    world.run_to(AT + 2)
    assert len(world.told("flaw")) == 1


def test_two_axes_that_see_a_flaw_one_after_the_other_make_one_event():
    world = TwoGauges(make(witness=None))
    read = world._read

    def by_axis(station, begin, end, seen, *, bad):
        # x sees the first half of the flaw, y the second
        x, _ = read(station, begin, end, [(AT, AT + 0.05, 0.08)], bad=bad)
        _, y = read(station, begin, end, [(AT + 0.05, AT + 0.1, 0.08)], bad=bad)
        return [x, y]

    world._read = by_axis
    world.run_to(AT + 2)
    (flaw,) = world.told("flaw")
    assert flaw.start <= AT
    assert flaw.end >= AT + 0.1


def test_a_restart_does_not_lose_the_witness():
    import msgspec

    world = TwoGauges(make(), drops=[(AT, AT + 0.01, 0.2)]).run_to(AT - 1)
    saved = msgspec.json.decode(msgspec.json.encode(world.rule.snapshot()))
    fresh = make()
    fresh.restore(saved)
    world.rule = fresh
    world.run_to(AT + 2)
    assert world.raised == []
    assert len(world.told("drop")) == 1


def test_silence_in_the_middle_of_an_excursion_is_judged_and_alarmed():
    world = TwoGauges(make(), drops=[(AT, AT + 0.5, 0.2)]).run_to(AT + 0.04)
    assert world.raised == []
    world.view.now += 3
    found = world.rule.tick(world.view)
    assert [c.verdict for c in found if hasattr(c, "verdict")] == ["unwitnessed"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"witness": {**BASE["witness"], "max_length": "70 mm"}}, "2 × up_to_speed × read interval"),
        ({"direction": "neck", "reads": ["cold.x_min"]}, "never suppressed"),
        ({"witness": {**BASE["witness"], "reads": ["hot.x_min"]}}, "covers no lumps"),
        ({"witness": {**BASE["witness"], "reads": ["cold.x"]}}, "another station"),
        ({"reads": ["hot.x_max"], "witness": {**BASE["witness"], "reads": ["cold.x_max"]}}, "upstream"),
        ({"height": "0.06 bar"}, "wrong dimension"),
        ({"reads": ["cold.x_max", "hot.y_max"]}, "one gauge"),
        ({"reads": ["cold.x_min"]}, "cannot show a lump"),
    ],
)
def test_settings_that_cannot_work_are_refused(changes, words):
    assert any(words in wrong for _, wrong in refusals(**changes))


def test_settings_that_work_are_not():
    assert refusals() == []
