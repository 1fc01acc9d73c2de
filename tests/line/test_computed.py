"""Computed tags by the metre: what is taken together, what is bad when an input saw nothing, whose options count."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.line.computed import ComputedTag
from metrepost.line.plan import ComputedPlan, Product, Registration, Station, Toleranced
from metrepost.line.seen import GRAIN, KEPT, Seen
from metrepost.physics import coax
from metrepost.publish.change_filter import ChangeFilter
from metrepost.readings import BAD, GOOD, UNCERTAIN, Measured, Tag

STATIONS = {"up": Station("up", 10.0, 0.1), "down": Station("down", 20.0, 0.1)}
TAGS = {name: Tag(name, name.partition(".")[0], "mm") for name in ("up.a", "down.b", "down.c", "down.made")}
BARE = Product("bare")


def measured(tag, metre, value=1.0, quality=GOOD, *, half=0.05, back=0.0, reason="", known=True, time=None):
    doubt = 0.01 if known else math.inf
    when = metre if time is None else time
    return Measured(tag, when, value, quality, reason, metre, metre - back - half, metre + half, doubt, quality is not BAD, 1.0)


def computed(*of, function="mean", held=(), **options):
    return ComputedTag(ComputedPlan("down.made", function, of, options), TAGS, STATIONS, Registration(), held)


def test_before_the_upstream_station_was_heard_the_value_is_bad_and_says_so_once():
    made, sent = computed("up.a", "down.b"), ChangeFilter(TAGS["down.made"])
    told = []

    def down(metre):
        found = made.reading(measured("down.b", metre), BARE)
        if sent.passes(found):
            told.append((found.quality, found.reason))
        return found

    for n in range(50):
        assert math.isnan(down(900.0 + n * 0.1).value)
    made.reading(measured("up.a", 1000.0), BARE)
    for n in range(50):
        down(905.0 + n * 0.1)
    for n in range(100):
        made.reading(measured("up.a", 1000.1 + n * 0.1), BARE)
    down(1001.0)
    assert told == [
        (BAD, "up.a: no reading yet"),
        (BAD, "up.a: not yet seen, the cable passed it before its first reading"),
        (GOOD, ""),
    ]


def test_a_metre_that_the_upstream_station_missed_is_bad_and_names_it():
    made = computed("up.a", "down.b")
    for metre in (1000.0, 1000.1, 1003.0, 1003.1):
        made.reading(measured("up.a", metre), BARE)
    assert made.reading(measured("down.b", 1000.1), BARE).quality is GOOD
    gap = made.reading(measured("down.b", 1001.5), BARE)
    assert (gap.quality, gap.reason, gap.covered) == (BAD, "up.a: no reading of this metre", False)
    assert (gap.metre, gap.start, gap.end) == pytest.approx((1001.5, 1001.45, 1001.55))
    assert made.reading(measured("down.b", 1003.1), BARE).quality is GOOD


def test_without_a_known_metre_two_stations_are_not_matched_but_one_place_is():
    across, here = computed("up.a", "down.b"), computed("down.b", "down.c")
    across.reading(measured("up.a", 0.0, known=False), BARE)
    found = across.reading(measured("down.b", 0.0, known=False), BARE)
    assert found.quality is BAD
    assert "the metre is not known" in found.reason
    here.reading(measured("down.b", 0.0, 1.0, known=False), BARE)
    assert here.reading(measured("down.c", 0.0, 3.0, known=False), BARE).value == 2.0


def test_the_worst_quality_counts_and_the_value_covers_the_intersection():
    made = computed("up.a", "down.b")
    made.reading(measured("up.a", 1000.0, 1.0, UNCERTAIN, reason="wet", half=0.05), BARE)
    found = made.reading(measured("down.b", 1000.04, 3.0, half=0.05), BARE)
    assert (found.value, found.quality, found.reason) == (2.0, UNCERTAIN, "up.a: wet")
    assert (found.start, found.end) == pytest.approx((999.99, 1000.05))
    made.reading(measured("up.a", 1001.0, math.nan, BAD, reason="timeout"), BARE)
    found = made.reading(measured("down.b", 1001.0), BARE)
    assert (found.quality, found.reason, found.covered) == (BAD, "up.a: timeout", False)


def test_a_register_that_looks_back_is_taken_by_its_piece_not_by_where_it_was_read():
    made = computed("up.a", "down.b")
    for n in range(1, 6):  # means over 1 m each, read at its end: value n covers n-1 to n
        made.reading(measured("up.a", 1000.0 + n, float(n), back=1.0, half=0.0), BARE)
    assert made.reading(measured("down.b", 1002.2, 3.0), BARE).value == 3.0
    assert made.reading(measured("down.b", 1002.9, 3.0), BARE).value == 3.0


def test_what_lies_outside_the_valid_range_is_bad():
    tags = {**TAGS, "down.made": Tag("down.made", "down", "mm", valid_low=0.0, valid_high=2.0)}
    made = ComputedTag(ComputedPlan("down.made", "sum", ("down.b", "down.c")), tags, STATIONS, Registration())
    made.reading(measured("down.b", 1.0), BARE)
    assert made.reading(measured("down.c", 1.0), BARE).quality is GOOD
    made.reading(measured("down.b", 1.1), BARE)
    found = made.reading(measured("down.c", 1.1, 1.5), BARE)
    assert (found.quality, found.reason, found.covered) == (BAD, "range", False)


def test_a_value_reported_on_change_stands_until_the_next():
    """A subscribed tag is silent while nothing changes: upstream it stands along the cable, here it stands beside the others."""
    made = computed("up.a", "down.b", held={"up.a"})
    made.reading(measured("up.a", 1000.0, 1.0), BARE)
    made.reading(measured("up.a", 1500.0, 5.0), BARE)
    assert made.reading(measured("down.b", 1200.0, 1.0), BARE).value == 1.0
    assert made.reading(measured("down.b", 1499.0, 1.0), BARE).value == 1.0
    assert made.reading(measured("down.b", 1600.0, 1.0), BARE).value == 3.0
    assert made.reading(measured("down.b", 900.0, 1.0), BARE).quality is BAD
    here = computed("down.b", "down.c", held={"down.c"})
    assert here.reading(measured("down.b", 1.0, 1.0), BARE).reason == "down.c: no reading yet"
    assert here.reading(measured("down.c", 1.5, 3.0), BARE) is None
    for metre in (2.0, 3.0):
        assert here.reading(measured("down.b", metre, 1.0), BARE).value == 2.0


def test_options_are_those_of_the_product_itself_not_of_its_name():
    tags = {"up.a": Tag("up.a", "up", "pF/m"), "down.b": Tag("down.b", "down", "mm"), "down.made": Tag("down.made", "down")}
    plan = ComputedPlan("down.made", "effective_permittivity", ("up.a", "down.b"), {"conductor": "product.conductor"})
    made = ComputedTag(plan, tags, STATIONS, Registration())
    made.reading(measured("up.a", 1000.0, 55.0), BARE)
    for inner in (1.02, 1.10, 1.02):
        product = Product("K75", {"conductor": Toleranced(inner, None, "mm")})
        found = made.reading(measured("down.b", 1000.0, 4.8), product)
        assert found.value == pytest.approx(coax.effective_permittivity(55e-12, inner, 4.8), rel=1e-12)


# ---- what an upstream station has seen --------------------------------------------------------------------------------------


@given(
    st.lists(st.floats(min_value=0.0, max_value=30.0), min_size=1, max_size=60),
    st.floats(min_value=-1.0, max_value=31.0),
    st.floats(min_value=0.0, max_value=2.0),
)
def test_the_nearest_reading_is_found_whatever_the_order(metres, wanted, within):
    """Against a plain search. Places closer than the grain are one place."""
    seen, kept = Seen(held=False), []
    for metre in metres:
        seen.add(measured("up.a", metre, metre))
        if not any(abs(metre - other) <= 2 * GRAIN for other in kept):
            kept.append(metre)
    found = seen.at(wanted, within)
    nearest = min(abs(metre - wanted) for metre in kept)
    if found is None:
        assert nearest > within + 0.1 - 3 * GRAIN
    else:
        assert abs(found.metre - wanted) <= nearest + 3 * GRAIN
        assert abs(found.metre - wanted) <= within + 0.1 + 3 * GRAIN


def test_a_line_that_stands_does_not_push_out_the_cable_on_the_way():
    seen = Seen(held=False)
    for n in range(100):
        seen.add(measured("up.a", 1000.0 + 0.1 * n, float(n)))
    for n in range(2 * KEPT):
        seen.add(measured("up.a", 1010.0, float(-n), UNCERTAIN if n == 0 else GOOD))
    assert seen.at(1000.0, 0.01).value == 0.0
    assert seen.at(1010.0, 0.01).value == -1.0  # the first of the best quality


def test_what_is_kept_is_bounded_and_what_is_behind_is_forgotten():
    seen = Seen(held=False)
    for n in range(3 * KEPT):
        seen.add(measured("up.a", n * 0.1, float(n)))
    assert seen.at(0.0, 0.01) is None
    assert seen.at(0.1 * (2 * KEPT), 0.01).value == 2.0 * KEPT
    seen.forget(0.1 * (3 * KEPT - 10))
    assert seen.at(0.1 * (3 * KEPT - 12), 0.01) is None
    assert seen.at(0.1 * (3 * KEPT - 9), 0.01).value == 3.0 * KEPT - 9
    assert len(seen._metres) <= 2 * KEPT + 1


def test_what_was_forgotten_takes_no_room():
    """50 m of cable are on the way; hours later no more is held than those and as many again."""
    seen = Seen(held=False)
    most = 0
    for n in range(20_000):
        seen.add(measured("up.a", n * 0.1, float(n)))
        seen.forget(n * 0.1 - 50.0)
        most = max(most, len(seen._pieces))
    assert most <= 2 * 501 + 2
    assert seen.at(0.1 * 19_600, 0.01).value == 19_600.0
