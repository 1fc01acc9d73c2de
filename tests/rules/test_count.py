import pytest

from metrepost.events import DropEvent, FlawEvent, SparkEvent, StretchEvent
from metrepost.readings import BAD
from metrepost.rules.contract import Told, WetStation
from support_rules import T0, FakeView, Step, check_rule, conditions, feed, measured, refusals, rule_of, shape, silence, stream

SPARKS = {"kind": "count", "class": "product", "reads": "spark-tester.faults", "limit": 5, "per": "1 km", "tells": "spark"}
DROPS = {
    "kind": "count",
    "class": "equipment",
    "counts": {"flaw": "cold-lump", "verdict": "drop"},
    "limit": 5,
    "per": "100 m",
    "wet": {"station": "cold-gauge", "carried_by": "hot-gauge"},
}


def faults(counts, **keys):
    """A counter read every 0.1 s and 0.1 m."""
    return stream("spark-tester.faults", counts, every=0.1, step=0.1, **keys)


def sparks(found):
    return [each.data for each in found if isinstance(each, Told) and isinstance(each.data, SparkEvent)]


def drop(metre, rule="cold-lump"):
    return DropEvent(
        rule=rule, station="cold-gauge", height=0.1, limit=0.06, unit="mm", length_low=0.0, length_high=0.05,
        decided="", explanation="", metre=metre, peak=metre, start=metre - 0.02, end=metre + 0.02,
    )  # fmt: skip


def flaw(metre, verdict, rule="cold-lump"):
    return FlawEvent(
        rule=rule, station="cold-gauge", direction="lump", verdict=verdict, alarmed=True, height=0.1, limit=0.06, unit="mm",
        length_low=0.0, length_high=0.05, decided="", explanation="", metre=metre, peak=metre,
    )  # fmt: skip


def hear(event, metre):
    return Step("hear", T0 + metre, metre, event=event)


def wipe_failing(first=100, every=2, drops=30, ticks_to=600):
    """A drop every `every` metres, then none; a tick every metre."""
    steps = []
    for metre in range(1, ticks_to):
        steps.append(Step("tick", T0 + metre, float(metre)))
        if metre >= first and (metre - first) % every == 0 and (metre - first) // every < drops:
            steps.append(hear(drop(float(metre)), float(metre)))
    return steps


def test_every_increment_is_told_and_located_within_the_poll_and_the_electrode():
    (event,) = sparks(feed(rule_of(SPARKS), faults([7.0, 7.0, 9.0])))
    assert (event.faults, event.station, event.tag) == (2, "spark-tester", "spark-tester.faults")
    # between the reads at metres 0.2 and 0.3, and half an electrode of 100 mm on both sides
    assert (event.start, event.end) == (pytest.approx(0.15), pytest.approx(0.35))


def test_the_first_reading_is_a_base_and_bad_ones_widen_the_piece():
    (event,) = sparks(feed(rule_of(SPARKS), faults([1000.0, None, None, 1001.0])))
    assert (event.faults, event.start, event.end) == (1, pytest.approx(0.05), pytest.approx(0.45))


def test_increments_outside_when_are_told_but_not_counted():
    rule = rule_of(SPARKS | {"limit": 0, "when": "producing"})
    passed = [Step("pass", each.now, each.metre, each.m) for each in faults([1.0, 4.0])]
    found = feed(rule, passed)
    assert [event.faults for event in sparks(found)] == [3]
    assert shape(found) == []


@pytest.mark.parametrize(
    ("counts", "told"),
    [
        ([10.0, 0.0, 0.0], []),  # reset
        ([10.0, 2.0], [2]),  # reset, and two since
        ([10.0, 9.0, 10.0], [1]),  # a slip of the device is a new base, never a negative count
        ([4294967295.0, 0.0, 1.0], [1]),  # a 32-bit counter that ran over
    ],
)
def test_a_counter_that_falls(counts, told):
    assert [event.faults for event in sparks(feed(rule_of(SPARKS), faults(counts)))] == told


def test_the_limit_is_exclusive_and_the_alarm_returns_at_half():
    rule = rule_of(SPARKS | {"limit": 2, "per": "5 m"})
    assert shape(feed(rule, faults([0.0, 1.0, 2.0]))) == []
    (up,) = conditions(feed(rule, faults([3.0], start=0.3)))
    assert (up.limit, up.active, up.value, up.bound) == ("over", True, 3.0, 2.0)
    assert up.explanation == "spark-tester.faults: 3 within 5 m, more than 2"
    assert up.start == pytest.approx(0.2, abs=0.01)
    (down,) = conditions(feed(rule, faults([3.0] * 100, start=0.4)))
    assert not down.active
    assert down.metre == pytest.approx(5.3, abs=0.15)  # the two oldest of three left the last 5 m


def test_clusters_are_an_alarm_of_their_own():
    rule = rule_of(SPARKS | {"limit": 100, "cluster": {"limit": 3, "within": "10 m", "priority": "critical"}})
    assert set(rule.settings.limits()) == {"over", "cluster"}
    assert shape(feed(rule, faults([0.0, 4.0]))) == [("cluster", True)]


def test_sliding_goes_on_while_the_counter_says_nothing():
    rule = rule_of(SPARKS | {"limit": 0, "per": "5 m"})
    burst = faults([0.0, 1.0])
    assert shape(feed(rule, burst + silence(10.0, burst, speed=1.0))) == [("over", True), ("over", False)]


def test_a_new_reel_counts_from_nothing():
    rule, view = rule_of(SPARKS | {"limit": 2, "per": "reel"}), FakeView()
    view.reel = "17"
    assert shape(feed(rule, faults([0.0, 2.0, 3.0]), view)) == [("over", True)]
    view.reel = "18"
    assert shape(feed(rule, faults([3.0], start=1.0), view)) == [("over", False)]
    assert shape(feed(rule, faults([5.0], start=2.0), view)) == []


@pytest.mark.parametrize(("verdict", "counted"), [("drop", 1), ("lump", 1), ("unwitnessed", 1), ("any", 3)])
def test_only_flaws_of_that_rule_and_verdict_are_counted(verdict, counted):
    rule = rule_of(
        {"kind": "count", "class": "product", "counts": {"flaw": "cold-lump", "verdict": verdict}, "limit": 0, "per": "100 m"}
    )
    events = [
        drop(10.0),
        flaw(10.0, "lump"),
        flaw(10.0, "unwitnessed"),
        drop(10.0, rule="other"),
        flaw(10.0, "lump", rule="other"),
    ]
    assert {event.kind for event in events if event.kind in rule.listens} <= {"drop", "flaw"}
    feed(rule, [hear(event, 11.0) for event in events if event.kind in rule.listens])
    assert rule.snapshot()["counters"]["over"]["count"] == counted


def test_a_failing_wipe_makes_the_gauge_wet_until_it_has_been_dry_for_long():
    found = feed(rule_of(DROPS), wipe_failing())
    wet, dry = (each for each in found if isinstance(each, WetStation))
    opened, closed = (each.data for each in found if isinstance(each, Told) and isinstance(each.data, StretchEvent))
    assert shape(found) == [("over", True), ("over", False)]
    assert (wet.station, wet.carried_by, wet.wet, wet.metre) == ("cold-gauge", "hot-gauge", True, 100.0)
    assert (opened.mark, opened.open, opened.start, opened.end, opened.cause) == ("wet", True, 100.0, None, "rule")
    # drops at 100, 102 … 158: no more than 2 within 100 m from metre 254 on, and 100 m of that
    assert not dry.wet
    assert dry.metre == pytest.approx(354.0, abs=3.0)
    assert (closed.open, closed.start, closed.end) == (False, 100.0, dry.metre)


def test_drops_that_come_back_keep_the_gauge_wet():
    again = wipe_failing(drops=10) + [each for each in wipe_failing(first=650, drops=30, ticks_to=700) if each.metre >= 600]
    early = wipe_failing(drops=10, ticks_to=260) + [
        each for each in wipe_failing(first=260, drops=30, ticks_to=400) if each.metre >= 260
    ]
    assert [each.wet for each in feed(rule_of(DROPS), again) if isinstance(each, WetStation)] == [True, False, True]
    assert [each.wet for each in feed(rule_of(DROPS), early) if isinstance(each, WetStation)] == [True]


def test_a_drop_is_counted_where_it_lies_although_it_is_told_later():
    rule = rule_of(DROPS)
    late = [hear(drop(50.0 + i), 60.0 + i) for i in range(6)]
    (up,) = conditions(feed(rule, late))
    assert up.metre == 55.0


def test_contract_battery():
    counts = [0.0] * 20 + [float(i // 3) for i in range(60)] + [None] + [25.0] * 150 + [0.0, 1.0] + [1.0] * 20
    small = SPARKS | {"per": "8 m", "cluster": {"limit": 2, "within": "1 m"}}
    check_rule(lambda: rule_of(small), faults(counts, ticks=True))
    check_rule(lambda: rule_of(SPARKS | {"per": "4 s"}), faults(counts, ticks=True))
    check_rule(lambda: rule_of(DROPS), wipe_failing(), event_driven=True)


def test_bad_quality_with_a_number_is_not_counted():
    rule = rule_of(SPARKS)
    feed(rule, faults([5.0]))
    bad = measured("spark-tester.faults", 900.0, T0 + 1, 1.0, quality=BAD, reason="range")
    assert feed(rule, [Step("pass", T0 + 1, 1.0, bad)]) == []
    assert sparks(feed(rule, faults([5.0], start=2.0))) == []


REFUSED = [
    (SPARKS | {"counts": DROPS["counts"]}, "", "counts either a counter tag or the flaws of a rule"),
    ({k: v for k, v in DROPS.items() if k not in ("counts", "wet")}, "", "counts either a counter tag or the flaws of a rule"),
    (SPARKS | {"per": "0 m"}, "per", "must be more than 0; write a length such as 1 m or a time such as 30 s"),
    (SPARKS | {"cluster": {"limit": 3, "within": "2 km"}}, "cluster.within", "2000 m is not shorter than per 1000 m"),
    (DROPS | {"tells": "spark"}, "tells", "spark events are told of a counter tag; give reads"),
    (DROPS | {"when": "producing"}, "when", "stands in the flaw rule whose flaws are counted; leave it out here"),
    (DROPS | {"wet": {"station": "cold", "carried_by": "hot-gauge"}}, "wet.station", "there is no station 'cold'"),
    (DROPS | {"wet": {"station": "cold-gauge", "carried_by": "cold-gauge"}}, "wet.carried_by",
     "a wet station cannot carry its own alarms; name the gauge upstream of the water"),
    (DROPS | {"per": "reel"}, "wet", "needs a length or a time in per, so that the station can become dry again within the reel"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "key", "sentence"), REFUSED)
def test_what_does_not_fit_is_refused_in_a_sentence(table, key, sentence):
    assert refusals(table)[key] == sentence


def test_lengths_and_reels_need_a_length_axis():
    assert set(refusals(SPARKS, has_axis=False)) == {"per"}
    assert "nothing is known by reel" in refusals(SPARKS | {"per": "reel"}, has_axis=False)["per"]


def test_a_count_on_the_border_does_not_chatter():
    """Faults 2 m apart, 5 m counted: two and three within the window by turns."""
    rule = rule_of(SPARKS | {"limit": 2, "per": "5 m"})
    assert shape(feed(rule, faults([float(i // 20) for i in range(400)]))) == [("over", True)]
