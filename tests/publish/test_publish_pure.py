import itertools
import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from metrepost.publish import topics
from metrepost.publish.backoff import delay
from metrepost.publish.change_filter import ChangeFilter
from metrepost.publish.plan import MqttPlan
from metrepost.publish.poison import ALONE, STRIKES, Suspicion
from metrepost.publish.readings_out import ReadingsOut
from metrepost.publish.window import Window
from metrepost.readings import BAD, GOOD, UNCERTAIN
from support_journal import alarm_event, alarm_state, measured, reel_state, rollup, tag


def test_topics_below_the_root() -> None:
    assert topics.event(alarm_event()) == "event/alarm"
    assert topics.rollup(rollup().data) == "rollup/10s/cold-gauge/diameter"
    assert topics.rollup(rollup(tag="cold-gauge.diameter").data) == "rollup/10s/cold-gauge/diameter"
    assert topics.alarm(alarm_state()) == "alarm/cold-lump/lump" == topics.alarm_of("cold-lump.lump")
    assert topics.reel(reel_state("last")) == "reel/last"
    assert topics.reading("cold-gauge", "cold-gauge.x") == "reading/cold-gauge/x"


def test_plan_from_a_url_hides_its_password() -> None:
    plan = MqttPlan.parse("mqtts://broker.northmere:8884", user="core-3", password="secret", window=20)
    assert (plan.host, plan.port, plan.tls, plan.window) == ("broker.northmere", 8884, True, 20)
    assert "secret" not in repr(plan)
    assert MqttPlan.parse("mqtt://h").port == 1883
    assert MqttPlan.parse("mqtts://h").port == 8883


@pytest.mark.parametrize(
    ("url", "message"),
    [
        ("http://h", "write mqtt://host:1883"),
        ("mqtt://", "write mqtt://host:1883"),
        ("mqtt://u:p@h", "by env or file"),
        ("mqtt://h/x", "nothing may follow"),
        ("mqtt://h:99999", "1 to 65535"),
    ],
)
def test_wrong_urls_are_told(url: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        MqttPlan.parse(url)


@given(st.lists(st.integers(1, 30), max_size=60))
def test_the_cursor_passes_a_row_only_with_all_before_it(acks: list[int]) -> None:
    window = Window(0)
    for n in range(1, 31):
        window.sent(n)
    have: set[int] = set()
    for ack in acks:
        window.acknowledged(ack)
        have.add(ack)
        assert window.cursor == next(n for n in itertools.count() if n + 1 not in have)
        assert len(window) == 30 - len(have)


def test_rows_cannot_be_sent_out_of_order() -> None:
    window = Window(5)
    window.sent(6)
    with pytest.raises(ValueError, match="after row 6"):
        window.sent(6)


def test_backoff_doubles_to_its_longest_with_half_of_it_jitter() -> None:
    assert [delay(n, 1.0) for n in range(1, 9)] == [0.5, 1, 2, 4, 8, 16, 30, 30]
    assert delay(3, 0.0) == 1.0
    assert delay(1, 1.0, refused=True) == 5.0
    assert delay(99, 1.0, refused=True) == 120.0


def test_readings_pass_on_change_and_at_least_every_so_often() -> None:
    filter_ = ChangeFilter(tag(on_change=0.001, at_least_every=10.0))
    said = [(4.8, 0.0), (4.8005, 1.0), (4.801, 2.0), (4.8015, 3.0), (4.8005, 4.0), (4.8, 5.0), (4.8, 14.9), (4.8, 15.0)]
    assert [filter_.passes(measured(value=v, when=t)) for v, t in said] == [True, False, True, False, False, True, False, True]


def test_any_change_passes_without_on_change_and_none_without_a_change() -> None:
    filter_ = ChangeFilter(tag())
    values = [1.0, 1.0, 1.0 + 1e-12, math.nan, math.nan, 1.0]
    assert [filter_.passes(measured(value=v)) for v in values] == [True, False, True, True, False, True]


def test_a_change_of_quality_or_reason_passes() -> None:
    filter_ = ChangeFilter(tag(on_change=1.0))
    assert filter_.passes(measured(quality=GOOD))
    assert filter_.passes(measured(quality=UNCERTAIN))
    assert filter_.passes(measured(quality=BAD, reason="range"))
    assert not filter_.passes(measured(quality=BAD, reason="range"))
    assert filter_.passes(measured(quality=BAD, reason="timeout"))


def test_numbers_of_readings_show_what_was_dropped() -> None:
    sent: list[int] = []
    congested = False
    out = ReadingsOut({"cold-gauge.x": tag()}, room=3)

    def send(topic: str, payload: bytes) -> bool:
        assert topic == "reading/cold-gauge/x"
        sent.append(msgspec.json.decode(payload)["n"])
        return True

    out.offer(measured(value=0.0))
    assert (out.sent, out.dropped) == (0, 1)
    out.connected(send, lambda: congested)
    out.offer(measured(value=1.0))
    congested = True
    for n in range(5):
        out.offer(measured(value=2.0 + n))
    congested = False
    out.room()
    assert sent == [2, 5, 6, 7]
    assert out.dropped == 3
    congested = True
    out.offer(measured(value=9.0))
    out.disconnected()
    assert out.dropped == 4
    out.offer(measured("cold-gauge.unknown"))
    assert out.dropped == 5


def test_a_message_is_condemned_after_two_losses_among_others_and_three_alone() -> None:
    suspicion: Suspicion[tuple[str, int]] = Suspicion()
    bad, other = ("event", 7), ("rollup", 3)
    assert suspicion.lost([bad, other]) is None
    assert not suspicion.cautious
    assert suspicion.lost([bad, ("rollup", 4)]) is None
    assert suspicion.cautious
    for _ in range(STRIKES - 1):
        assert suspicion.lost([bad]) is None
    assert suspicion.lost([bad]) == bad
    assert not suspicion.cautious


def test_losses_with_progress_between_them_condemn_nothing() -> None:
    suspicion: Suspicion[tuple[str, int]] = Suspicion()
    for n in range(50):
        assert suspicion.lost([("event", n)]) is None
        assert not suspicion.cautious
        suspicion.cleared(("event", n))


def test_caution_ends_when_a_good_many_have_arrived() -> None:
    suspicion: Suspicion[tuple[str, int]] = Suspicion()
    for _ in range(3):
        suspicion.lost([("event", 7)])
    for n in range(ALONE):
        assert suspicion.cautious
        suspicion.cleared(("event", 7 + n))
    assert not suspicion.cautious


def test_an_innocent_neighbour_is_not_condemned() -> None:
    """Row 1 is the oldest outstanding one while row 21 is to blame."""
    suspicion: Suspicion[tuple[str, int]] = Suspicion()
    suspicion.lost([("event", 1)])
    suspicion.lost([("event", 1)])
    for n in range(1, 21):
        suspicion.cleared(("event", n))
    assert [suspicion.lost([("event", 21)]) for _ in range(3)] == [None, None, ("event", 21)]
