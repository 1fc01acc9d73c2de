import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metrepost.readings import UNCERTAIN
from support_rules import (
    K470,
    T0,
    FakeView,
    Step,
    check_rule,
    conditions,
    feed,
    measured,
    refusals,
    rule_of,
    shape,
    silence,
    stream,
)

BAND = {
    "kind": "band",
    "class": "product",
    "reads": "cold-gauge.diameter",
    "target": "product.dielectric",
    "high": {"priority": "high"},
    "low": {},
}
FULL = BAND | {"over": "1 m", "deadband": "0.005 mm", "on_delay": "2 m", "off_delay": "5 m"}


def band(**keys):
    return rule_of(BAND | keys)


def test_limits_are_exclusive():
    high = BAND | {"target": "4.75 mm", "tolerance": "0.25 mm"}  # exact in binary
    assert shape(feed(rule_of(high), stream("cold-gauge.diameter", [5.0, 4.5]))) == []
    assert shape(feed(rule_of(high), stream("cold-gauge.diameter", [math.nextafter(5.0, 6.0)]))) == [("high", True)]
    assert shape(feed(rule_of(high), stream("cold-gauge.diameter", [math.nextafter(4.5, 4.0)]))) == [("low", True)]


def test_mean_over_a_metre_is_judged_and_told_in_words():
    steps = stream("cold-gauge.diameter", [4.80] * 100 + [4.862] * 300 + [4.80] * 400)
    up, down = conditions(feed(rule_of(FULL), steps))
    assert (up.limit, up.active, down.limit, down.active) == ("high", True, "high", False)
    assert up.value == pytest.approx(4.862, abs=1e-9)
    assert up.bound == pytest.approx(4.85)
    assert up.unit == "mm"
    # the mean of 1 m passes 4.850 when 0.05/0.062 of it is high: 0.81 m after the step at metre 2.5
    assert up.metre == pytest.approx(3.325, abs=0.03)
    assert up.start == pytest.approx(up.metre - 1.0)
    assert up.end == pytest.approx(up.metre + 2.0, abs=0.03)
    assert up.explanation == f"mean over 1 m 4.862 mm above 4.850 mm since metre {up.metre:.1f}"
    assert down.end == pytest.approx(10.325, abs=0.06)  # 4.845 is passed again 0.27 m after the value fell at metre 10
    assert "at worst 4.862 mm" in down.explanation


def test_a_short_excursion_within_the_mean_is_nothing():
    assert feed(rule_of(FULL), stream("cold-gauge.diameter", [4.80] * 100 + [5.5] + [4.80] * 300)) == []


def test_nothing_is_judged_before_a_whole_window_has_passed():
    early = stream("cold-gauge.diameter", [5.0] * 38)
    assert feed(band(over="1 m"), early) == []
    assert shape(feed(band(over="1 m"), stream("cold-gauge.diameter", [5.0] * 45))) == [("high", True)]


def test_the_target_follows_the_product_of_the_metre():
    view = FakeView()
    view.product_from = [(5.0, K470)]
    steps = stream("cold-gauge.diameter", [4.80] * 199 + [4.70] * 200)
    assert feed(rule_of(FULL), steps, view) == []
    stays = stream("cold-gauge.diameter", [4.80] * 600)
    view = FakeView()
    view.product_from = [(5.0, K470)]
    (found,) = conditions(feed(rule_of(FULL), stays, view))
    assert (found.limit, found.bound) == ("high", pytest.approx(4.75))
    assert found.metre == pytest.approx(5.5, abs=0.06)


def test_a_product_without_the_value_holds_the_state():
    view = FakeView()
    rule = band()
    feed(rule, stream("cold-gauge.diameter", [4.9]), view)
    view.product = type(K470)("unheard of", {})
    assert feed(rule, stream("cold-gauge.diameter", [4.8, 4.2], start=1.0), view) == []


def test_the_deviation_from_the_plc_setpoint():
    rule = rule_of({
        "kind": "band", "class": "process", "reads": "trough.water", "target": "trough.setpoint", "tolerance": "2 degC",
        "high": {}, "low": {}, "deadband": "0.5 K",
    })  # fmt: skip
    view = FakeView()
    water = stream("trough.water", [27.0, 27.1], every=1.0)
    assert feed(rule, water, view) == []  # no setpoint yet: nothing to judge against
    view.lasts["trough.setpoint"] = measured("trough.setpoint", 25.0, T0, 0.0)
    assert shape(feed(rule, stream("trough.water", [27.0, 27.1], every=1.0, start=2.0), view)) == [("high", True)]
    view.lasts["trough.setpoint"] = measured("trough.setpoint", 26.0, T0, 0.0)
    assert shape(feed(rule, stream("trough.water", [27.1], every=1.0, start=5.0), view)) == [("high", False)]


def test_equipment_limits_have_setpoints_of_their_own():
    rule = rule_of({
        "kind": "band", "class": "equipment", "reads": "trough.water",
        "low_low": {"at": "10 degC"}, "low": {"at": "20 degC"}, "high": {"at": "303.15 K"}, "high_high": {"at": "40 degC"},
    })  # fmt: skip
    steps = stream("trough.water", [25.0, 31.0, 41.0, 25.0, 15.0, 5.0], every=1.0)
    assert shape(feed(rule, steps)) == [
        ("high", True), ("high_high", True), ("high", False), ("high_high", False), ("low", True), ("low_low", True),
    ]  # fmt: skip


def test_opc_10000_9_annex_b_1_5_deadband_and_delays():
    """One activation and no chatter (OPC 10000-9 B.1.5, from memory: deadband and both delays round a high limit of 100)."""
    rule = rule_of({
        "kind": "band", "class": "process", "reads": "foam-extruder.pressure", "high": {"at": "100 bar"},
        "deadband": "5 bar", "on_delay": "3 s", "off_delay": "3 s",
    })  # fmt: skip
    #        brief   again, stays             dips into the deadband  brief dip     gone for good
    values = [101, 99, 101, 102, 103, 104, 105, 97, 99, 101, 99, 97, 94, 94, 101, 94, 94, 94, 94, 94]
    up, down = conditions(feed(rule, stream("foam-extruder.pressure", [float(v) for v in values], every=1.0)))
    assert (up.active, up.onset_time) == (True, T0 + 3)
    assert (down.active, down.onset_time) == (False, T0 + 16)


def test_length_delays_stand_still_with_the_line():
    rule = band(on_delay="2 m")
    standing = [Step("judge", T0 + i, 10.0, measured("cold-gauge.diameter", 4.9, T0 + i, 10.0)) for i in range(1, 1000)]
    assert feed(rule, standing) == []


def test_a_value_sent_on_change_goes_on_counting_while_it_stands():
    rule = rule_of({
        "kind": "band", "class": "process", "reads": "trough.water", "high": {"at": "30 degC"}, "on_delay": "10 s",
    })  # fmt: skip
    once = stream("trough.water", [31.0], every=0.1)
    (up,) = conditions(feed(rule, once + silence(12.0, once)))
    assert up.active
    assert up.onset_time == once[0].now


def test_a_bad_reading_stops_the_standing_value():
    rule = rule_of({
        "kind": "band", "class": "process", "reads": "trough.water", "high": {"at": "30 degC"}, "on_delay": "10 s",
    })  # fmt: skip
    once = stream("trough.water", [31.0, None], every=0.1)
    assert feed(rule, once + silence(60.0, once)) == []


def test_when_turning_false_ends_a_standing_alarm_without_a_reading():
    rule = rule_of({
        "kind": "band", "class": "process", "reads": "trough.water", "high": {"at": "30 degC"}, "when": "producing",
    })  # fmt: skip
    view = FakeView()
    once = stream("trough.water", [31.0], every=0.1)
    assert shape(feed(rule, once, view)) == [("high", True)]
    view.state = "stopped"
    assert shape(feed(rule, silence(1.0, once), view)) == [("high", False)]
    view.state = "producing"
    assert shape(feed(rule, silence(1.0, once), view)) == [("high", True)]


def test_a_gap_counts_towards_raising_and_not_towards_returning():
    rule = band(on_delay="1 s", off_delay="1 s")
    gap = stream("cold-gauge.diameter", [4.9, None], every=0.1)
    assert shape(feed(rule, [*gap, *stream("cold-gauge.diameter", [4.9], every=0.1, start=5.0)])) == [("high", True)]
    inside = [
        *stream("cold-gauge.diameter", [4.8, None], every=0.1, start=6.0),
        *stream("cold-gauge.diameter", [4.8] * 5, every=0.1, start=9.0),
    ]
    assert shape(feed(rule, inside)) == []
    assert shape(feed(rule, stream("cold-gauge.diameter", [4.8] * 10, every=0.1, start=9.5))) == [("high", False)]


def test_uncertain_readings_are_judged_and_the_finding_says_so():
    m = measured("cold-gauge.diameter", 4.9, T0, 1.0, quality=UNCERTAIN)
    (found,) = conditions(feed(band(), [Step("judge", T0, 1.0, m)]))
    assert found.quality == "uncertain"


def test_without_a_length_axis_findings_have_no_metre():
    rule = rule_of(BAND, has_axis=False)
    (found,) = conditions(feed(rule, stream("cold-gauge.diameter", [4.9], step=0.0)))
    assert (found.metre, found.start, found.end) == (None, None, None)
    assert "since 2027-" in found.explanation


def test_contract_battery():
    values = [4.80] * 120 + [4.87] * 150 + [None] * 3 + [4.87] * 30 + [4.80] * 300 + [4.70] * 200 + [4.80] * 260
    check_rule(lambda: rule_of(FULL), stream("cold-gauge.diameter", values, ticks=True))
    check_rule(lambda: rule_of(FULL | {"reads": "cold-gauge.mean"}), stream("cold-gauge.mean", values, piece=0.026))
    timed = FULL | {"over": "500 ms", "on_delay": "1 s", "off_delay": "2 s"}
    check_rule(lambda: rule_of(timed), stream("cold-gauge.diameter", values, ticks=True))


REFUSED = [
    ({"over": "0 m"}, "over", "must be more than 0; write a length such as 1 m or a time such as 30 s"),
    (
        {"deadband": "0.06 mm"},
        "deadband",
        "0.06 mm is wider than half the band for product K75-480 (0.05): an alarm could not return",
    ),
    ({"deadband": "5 degC"}, "deadband", "5 degC has the wrong dimension; the tag is in mm"),
    ({"deadband": "-1 mm"}, "deadband", "-1 mm is negative; it is the distance inside the limit, 0 or more"),
    ({"tolerance": "0 mm"}, "tolerance", "0 mm leaves no band; write the distance from the target to each limit"),
    ({"tolerance": "1 bar"}, "tolerance", "1 bar has the wrong dimension; the tag is in mm"),
    (
        {"target": "product.impedance"},
        "target",
        "product.impedance of product K75-480: ohm cannot be turned into mm: they measure different things",
    ),
    ({"target": "product.dielektric"}, "target", "product K75-480 has no value 'dielektric'"),
    ({"target": "trough.water"}, "tolerance", "target 'trough.water' says nothing of its tolerance; write one"),
    ({"target": "thick"}, "target", "'thick' is no quantity, tag or product value"),
    ({"high_high": {}}, "high_high", 'needs its own setpoint, such as at = "110 degC"'),
    (
        {"high_high": {"at": "4.82 mm"}},
        "high_high",
        "contradicts high for product K75-480: high_high 4.82 is not above high 4.85",
    ),
    ({"high": {"at": "4.7 mm"}}, "high", "contradicts low for product K75-480: high 4.7 is not above low 4.75"),
    ({"high": {"at": "4.9 bar"}}, "high.at", "4.9 bar has the wrong dimension; the tag is in mm"),
    ({"target": None}, "high", 'needs a setpoint: write at = "…" in it, or give the rule a target'),
]


@pytest.mark.parametrize(("keys", "key", "sentence"), REFUSED)
def test_what_does_not_fit_is_refused_in_a_sentence(keys, key, sentence):
    from support_rules import FakeSite, settings_of

    site = FakeSite()
    settings_of(BAND | keys).build("rule", site)
    assert (key, sentence) in [(k, wrong) for k, wrong, _ in site.failures]


def test_length_windows_and_delays_need_a_length_axis():
    refused = refusals(FULL, has_axis=False)
    assert set(refused) == {"over", "on_delay", "off_delay"}
    assert refused["over"] == "1 m is a length, and the line has no [length] table; write a time such as 30 s"


def test_a_band_without_limits_is_refused():
    table = {key: value for key, value in BAND.items() if key not in ("high", "low")}
    assert refusals(table) == {"": "a band needs at least one limit"}


def test_a_missing_product_value_offers_the_ones_there_are():
    from support_rules import FakeSite, settings_of

    site = FakeSite()
    settings_of(BAND | {"target": "product.dielektric"}).build("rule", site)
    assert "product.dielectric" in site.failures[0][2]


# ---- against a plain re-computation, which shares no code with the rules --------------------------------------------------


def plain_band(points, target, tolerance, deadband, on, off, over):
    """``(limit, active, index)`` by looking back over all points each time. `points`: (metre, value), no gaps, all judged."""
    told = []
    for limit, side in (("low", -1), ("high", 1)):
        active, began, cleared = False, None, None
        for i, (metre, _) in enumerate(points):
            if over:
                if metre - points[0][0] < over - 1e-9 * over:
                    continue
                edge = metre - over
                area = length = 0.0
                for (a, value), (b, _) in itertools.pairwise(points[: i + 1]):
                    part = b - max(a, edge)
                    if part > 0:
                        area += value * part
                        length += part
                judged = area / length
            else:
                judged = points[i][1]
            beyond = side * (judged - (target + side * tolerance))
            if abs(beyond) < 1e-9 or abs(beyond + deadband) < 1e-9:
                return None  # too close to call with doubles
            if not active:
                if beyond <= 0:
                    began = None
                    continue
                began = metre if began is None else began
                if metre - began >= on - 1e-6:
                    active, cleared = True, None
                    told.append((limit, True, i))
            else:
                if beyond > -deadband:
                    cleared = None
                    continue
                cleared = metre if cleared is None else cleared
                if metre - cleared >= off - 1e-6:
                    active, began = False, None
                    told.append((limit, False, i))
    return sorted(told, key=lambda each: (each[2], each[0] != "low"))


levels = st.lists(
    st.tuples(st.sampled_from([4.70, 4.747, 4.752, 4.78, 4.80, 4.83, 4.848, 4.852, 4.90]), st.integers(1, 25)),
    min_size=3,
    max_size=14,
)


@settings(max_examples=150, deadline=None)
@given(
    levels=levels,
    spacing=st.sampled_from([0.025, 0.1, 0.4]),
    deadband=st.sampled_from([0.0, 0.005, 0.02]),
    on=st.sampled_from([0.0, 0.5, 2.0]),
    off=st.sampled_from([0.0, 1.0, 3.0]),
    over=st.sampled_from([0.0, 0.5, 1.0]),
)
def test_agrees_with_a_plain_recomputation(levels, spacing, deadband, on, off, over):
    values = [value for value, count in levels for _ in range(count)]
    points = [(round((i + 1) * spacing, 6), value) for i, value in enumerate(values)]
    expected = plain_band(points, 4.80, 0.05, deadband, on, off, over)
    if expected is None:
        return
    keys = {
        "target": "4.80 mm",
        "tolerance": "0.05 mm",
        "deadband": f"{deadband} mm",
        "on_delay": f"{on} m",
        "off_delay": f"{off} m",
    }
    rule = band(**keys, **({"over": f"{over} m"} if over else {}))
    found = []
    view = FakeView()
    for i, (metre, value) in enumerate(points):
        now = T0 + i * 0.02
        step = Step("judge", now, metre, measured("cold-gauge.diameter", value, now, metre))
        found += [(limit, active, i) for limit, active in shape(feed(rule, [step], view))]
    assert found == expected
