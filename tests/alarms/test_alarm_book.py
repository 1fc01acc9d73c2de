"""Walks of the alarm book that people would ask about."""

import json

import pytest

from metrepost.alarms import AlarmBook, UnknownAlarmError, UnknownCauseError
from metrepost.events import AlarmState, Event
from metrepost.rules.contract import Condition
from support_alarms import NOON, Desk, plan, refused, states, transitions, words


def test_an_event_says_what_where_since_when_and_what_to_do():
    desk = Desk(plan("bore.high", cause="die worn", consequence="scrap", response="slow down", respond_within="2 min"))
    c = Condition(
        limit="high",
        active=True,
        onset_time=NOON,
        metre=1204.3,
        metre_uncertainty=0.05,
        start=1204.0,
        end=1206.0,
        peak=1205.0,
        value=4.87,
        bound=4.85,
        unit="mm",
        explanation="mean over 1 m",
        verdict="lump",
    )
    out = desk.book.condition("bore", c, now=NOON + 3.0, metre_now=1212.0, expected_reel="R7", takes_up_at="12:01")
    assert [type(item) for item in out] == [Event, AlarmState]
    event = out[0].data
    assert out[0].time == NOON
    assert (event.metre, event.metre_uncertainty, event.start, event.end, event.peak) == (1204.3, 0.05, 1204.0, 1206.0, 1205.0)
    assert (event.value, event.bound, event.unit, event.verdict, event.explanation) == (
        4.87,
        4.85,
        "mm",
        "lump",
        "mean over 1 m",
    )
    assert (event.onset, event.decided, event.decided_metre) == (
        "2026-05-28T20:26:40.000000Z",
        "2026-05-28T20:26:43.000000Z",
        1212.0,
    )
    assert (event.expected_reel, event.takes_up_at, event.severity) == ("R7", "12:01", 700)
    assert (event.cause, event.consequence, event.response, event.respond_within) == (
        "die worn",
        "scrap",
        "slow down",
        "2 min",
    )
    assert out[1] == desk.book.state("bore.high")
    assert out[1].active and out[1].metre == 1204.3 and out[1].takes_up_at == "12:01"


def test_a_pulse_is_raised_and_returned_in_one_decision():
    desk = Desk(plan("lump.lump"))
    out = desk.set("lump.lump", pulse=True, metre=12.0)
    assert transitions(out) == [
        ("lump.lump", "raised", "unacknowledged"),
        ("lump.lump", "returned", "returned_unacknowledged"),
    ]
    assert [s.state for s in states(out)] == ["returned_unacknowledged"]
    assert not desk.book.is_active("lump.lump")


def test_a_second_flaw_is_raised_again_out_of_returned_unacknowledged():
    desk = Desk(plan("lump.lump"))
    desk.set("lump.lump", pulse=True)
    assert words(desk.set("lump.lump", pulse=True, metre=20.0)) == ["raised", "returned"]
    assert desk.book.state("lump.lump").metre == 20.0


@pytest.mark.parametrize("acknowledged", [False, True])
def test_a_pulse_under_an_active_alarm_is_raised_again_and_does_not_end_it(acknowledged):
    desk = Desk(plan("lump.lump"))
    desk.set("lump.lump")
    if acknowledged:
        desk.act("acknowledge", "lump.lump")
    assert transitions(desk.set("lump.lump", pulse=True)) == [("lump.lump", "raised", "unacknowledged")]
    assert desk.book.is_active("lump.lump")


def test_a_condition_told_twice_began_when_it_was_told_first():
    """Put aside and taken back: raised anew, with the onset of the first telling."""
    desk = Desk(plan("bore.high"))
    (first, _) = desk.set("bore.high", metre=10.0)
    desk.act("shelve", "bore.high", until=desk.now + 100.0)
    desk.set("bore.high", metre=20.0)
    _, again, _ = desk.act("unshelve", "bore.high")
    assert (again.data.transition, again.data.onset, again.data.metre) == ("raised", first.data.onset, 10.0)


def test_the_metre_of_a_decision_is_in_front_of_the_alarms_own_station():
    """Of acts, and of an alarm that comes out because its cause is over; the cause stands elsewhere."""
    desk = Desk(plan("bore.high", because_of=("press.low",)), plan("press.low"))
    desk.book.where = {"bore": 100.0, "press": 200.0}.get
    desk.set("press.low")
    desk.set("bore.high")
    (acknowledged, _) = desk.act("acknowledge", "press.low")
    assert acknowledged.data.decided_metre == 200.0
    desk.told.clear()
    desk.clear("press.low")
    decided = {e.data.transition: e.data.decided_metre for e in desk.told if isinstance(e, Event)}
    assert decided == {"returned": desk.now - NOON, "unsuppressed": 100.0, "raised": 100.0}


def test_the_same_steady_condition_told_twice_refreshes_the_value_and_alarms_once():
    desk = Desk(plan("bore.high"))
    desk.set("bore.high", value=4.86)
    out = desk.set("bore.high", value=4.88)
    assert words(out) == []
    assert [s.value for s in states(out)] == [4.88]


def test_a_return_that_nobody_waited_for_says_nothing():
    desk = Desk(plan("bore.high"))
    assert desk.clear("bore.high") == []
    desk.set("bore.high")
    desk.clear("bore.high")
    assert desk.clear("bore.high") == []


def test_a_return_does_not_hide_where_the_flaw_was():
    desk = Desk(plan("bore.high"))
    desk.set("bore.high", metre=10.0, value=4.9)
    out = desk.clear("bore.high", metre=30.0, value=4.8)
    assert (out[0].data.metre, out[0].data.value) == (30.0, 4.8)
    assert (desk.book.state("bore.high").metre, desk.book.state("bore.high").value) == (10.0, 4.9)


def test_shelving_is_told_with_time_reason_and_who_and_ends_by_itself():
    desk = Desk(plan("bore.high"))
    desk.set("bore.high")
    out = desk.act("shelve", "bore.high", until=desk.now + 61.0, reason="wipe being changed")
    assert (out[0].data.transition, out[0].data.by, out[0].data.reason) == ("shelved", "kim", "wipe being changed")
    assert states(out)[0].shelved_until != ""
    assert desk.tick(59.0) == []
    out = desk.tick(1.0)
    assert transitions(out) == [("bore.high", "unshelved", "normal"), ("bore.high", "raised", "unacknowledged")]
    assert desk.tick(1.0) == []


def test_what_returned_while_shelved_comes_back_normal_and_silently():
    desk = Desk(plan("bore.high"))
    desk.set("bore.high")
    desk.act("shelve", "bore.high", until=desk.now + 100.0)
    out = desk.clear("bore.high")
    assert words(out) == [] and not states(out)[0].active
    assert transitions(desk.act("unshelve", "bore.high")) == [("bore.high", "unshelved", "normal")]


def test_one_shot_shelving_also_ends_at_the_longest_time():
    desk = Desk(plan("bore.high"), max_shelved=100.0)
    desk.act("shelve", "bore.high")
    assert desk.tick(99.0) == []
    assert words(desk.tick(1.0)) == ["unshelved"]


@pytest.mark.parametrize("until", [-5.0, float("nan"), NOON])
def test_shelving_into_the_past_is_refused(until):
    desk = Desk(plan("bore.high"))
    assert "not in the future" in refused(desk.act("shelve", "bore.high", until=until))
    assert desk.state("bore.high") == "normal"


def test_refusals_are_values_that_say_what_is_allowed():
    desk = Desk(plan("bore.high"))
    assert "bore.high" in refused(desk.act("acknowledge", "bore.hihg"))
    assert "acknowledge, reset, shelve" in refused(desk.act("delete", "bore.high"))
    assert "nothing to acknowledge" in refused(desk.act("acknowledge", "bore.high"))


def test_a_condition_of_an_unknown_limit_is_a_bug_and_raises():
    with pytest.raises(UnknownAlarmError, match=r"bore\.hihg"):
        Desk(plan("bore.high")).set("bore.hihg")


def test_two_plans_of_one_id_are_refused():
    with pytest.raises(ValueError, match="twice"):
        AlarmBook([plan("bore.high"), plan("bore.high")])


def test_out_of_service_follows_the_condition_and_raises_it_on_return():
    desk = Desk(plan("bore.high"))
    assert words(desk.act("out_of_service", "bore.high", reason="gauge at repair")) == ["out_of_service"]
    assert words(desk.set("bore.high")) == []
    assert transitions(desk.act("in_service", "bore.high")) == [
        ("bore.high", "in_service", "normal"),
        ("bore.high", "raised", "unacknowledged"),
    ]


def test_a_trial_alarm_runs_the_whole_machine_and_says_so():
    desk = Desk(plan("bore.high", trial=True))
    desk.set("bore.high")
    desk.act("acknowledge", "bore.high")
    desk.clear("bore.high")
    assert words(desk.told) == ["raised", "acknowledged", "returned"]
    assert all(item.trial if isinstance(item, AlarmState) else item.data.trial for item in desk.told)


class TestSuppressionByDesign:
    def test_what_becomes_active_under_its_cause_is_suppressed_naming_it(self):
        desk = Desk(plan("stop.set"), plan("bore.low", because_of=("stop.set",)))
        desk.set("stop.set")
        out = desk.set("bore.low")
        assert transitions(out) == [("bore.low", "suppressed", "suppressed_by_design")]
        assert out[0].data.because_of == ["stop.set"] and "stop.set" in out[0].data.reason
        out = desk.clear("stop.set")
        assert transitions(out) == [
            ("stop.set", "returned", "returned_unacknowledged"),
            ("bore.low", "unsuppressed", "normal"),
            ("bore.low", "raised", "unacknowledged"),
        ]
        assert {s.alarm: s.state for s in states(out)} == {
            "bore.low": "unacknowledged",
            "stop.set": "returned_unacknowledged",
        }

    def test_what_ended_under_its_cause_is_never_raised(self):
        desk = Desk(plan("stop.set"), plan("bore.low", because_of=("stop.set",)))
        desk.set("stop.set")
        desk.set("bore.low")
        desk.clear("bore.low")
        assert desk.state("bore.low") == "suppressed_by_design"
        assert ("bore.low", "unsuppressed", "normal") in transitions(desk.clear("stop.set"))
        assert "raised" not in [e.data.transition for e in desk.told if isinstance(e, Event) and e.data.alarm == "bore.low"]

    def test_what_people_already_see_stays_in_sight(self):
        desk = Desk(plan("stop.set"), plan("bore.low", because_of=("stop.set",)))
        desk.set("bore.low")
        desk.set("stop.set")
        assert desk.state("bore.low") == "unacknowledged"

    def test_two_causes_must_both_be_over(self):
        desk = Desk(plan("stop.set"), plan("jam.set"), plan("bore.low", because_of=("stop.set", "jam.set")))
        for alarm in ("stop.set", "jam.set", "bore.low"):
            desk.set(alarm)
        desk.clear("stop.set")
        assert desk.state("bore.low") == "suppressed_by_design"
        desk.clear("jam.set")
        assert desk.state("bore.low") == "unacknowledged"

    def test_a_rule_name_stands_for_all_its_alarms(self):
        desk = Desk(plan("temp.high"), plan("temp.low"), plan("bore.low", because_of=("temp",)))
        desk.set("temp.low")
        desk.set("bore.low")
        assert desk.state("bore.low") == "suppressed_by_design"

    @pytest.mark.parametrize("act", ["shelve", "out_of_service"])
    def test_a_cause_that_nobody_is_told_of_explains_nothing(self, act):
        """Otherwise shelving the cause would silence its effects as well."""
        desk = Desk(plan("stop.set"), plan("bore.low", because_of=("stop.set",)))
        desk.set("stop.set")
        desk.set("bore.low")
        out = desk.act(act, "stop.set")
        assert ("bore.low", "raised", "unacknowledged") in transitions(out)

    def test_a_trial_cause_explains_nothing(self):
        desk = Desk(plan("stop.set", trial=True), plan("bore.low", because_of=("stop.set",)))
        desk.set("stop.set")
        desk.set("bore.low")
        assert desk.state("bore.low") == "unacknowledged"

    def test_a_chain_comes_out_from_the_root(self):
        desk = Desk(plan("power.set"), plan("stop.set", because_of=("power.set",)), plan("bore.low", because_of=("stop.set",)))
        for alarm in ("power.set", "stop.set", "bore.low"):
            desk.set(alarm)
        assert [desk.state(a) for a in ("stop.set", "bore.low")] == ["suppressed_by_design"] * 2
        desk.clear("power.set")
        assert [desk.state(a) for a in ("stop.set", "bore.low")] == ["unacknowledged", "suppressed_by_design"]

    def test_a_circle_of_causes_never_hides_all_of_it(self):
        desk = Desk(plan("a.set", because_of=("b.set",)), plan("b.set", because_of=("a.set",)))
        desk.set("a.set")
        desk.set("b.set")
        assert (desk.state("a.set"), desk.state("b.set")) == ("unacknowledged", "suppressed_by_design")
        desk.clear("a.set")
        assert desk.state("b.set") == "unacknowledged"

    def test_unshelving_under_an_active_cause_lands_in_suppressed(self):
        desk = Desk(plan("stop.set"), plan("bore.low", because_of=("stop.set",)))
        desk.act("shelve", "bore.low")
        desk.set("bore.low")
        desk.set("stop.set")
        assert words(desk.act("unshelve", "bore.low")) == ["unshelved", "suppressed"]

    def test_a_cause_that_does_not_exist_is_refused_at_once(self):
        with pytest.raises(UnknownCauseError, match=r"stpo\.set.*stop\.set"):
            Desk(plan("stop.set"), plan("bore.low", because_of=("stpo.set",)))


class TestRestart:
    def test_states_go_through_json_and_the_walk_goes_on(self):
        plans = [plan("stop.set"), plan("bore.low", because_of=("stop.set",)), plan("x.high", latch=True), plan("y.high")]
        desk = Desk(*plans)
        desk.set("stop.set", metre=3.0, value=1.0)
        desk.set("bore.low")
        desk.set("x.high")
        desk.act("acknowledge", "x.high")
        desk.clear("x.high")
        desk.act("shelve", "y.high", until=desk.now + 50.0, reason="known")
        again = Desk(*plans)
        again.now = desk.now
        restored = again.book.restore(json.loads(json.dumps(desk.book.snapshot())))
        assert restored.dropped == [] and restored.unreadable == []
        assert again.book.states() == desk.book.states()
        for action in (
            lambda d: d.tick(),
            lambda d: d.clear("stop.set"),
            lambda d: d.act("reset", "x.high"),
            lambda d: d.tick(60.0),
        ):
            assert action(again) == action(desk)

    def test_alarms_that_are_gone_are_named_and_new_ones_start_normal(self):
        desk = Desk(plan("old.high"), plan("bore.high"))
        desk.set("old.high")
        desk.set("bore.high")
        again = Desk(plan("bore.high"), plan("new.high"))
        assert again.book.restore(desk.book.snapshot()).dropped == ["old.high"]
        assert (again.state("bore.high"), again.state("new.high")) == ("unacknowledged", "normal")

    def test_what_was_suppressed_by_a_cause_that_is_gone_is_raised_at_the_next_tick(self):
        desk = Desk(plan("stop.set"), plan("bore.low", because_of=("stop.set",)))
        desk.set("stop.set")
        desk.set("bore.low")
        again = Desk(plan("bore.low"))
        again.book.restore(desk.book.snapshot())
        assert words(again.tick()) == ["unsuppressed", "raised"]
        assert again.tick() == []

    def test_shelving_that_ran_out_while_down_ends_at_the_first_tick(self):
        desk = Desk(plan("bore.high"))
        desk.act("shelve", "bore.high", until=desk.now + 10.0)
        again = Desk(plan("bore.high"))
        again.book.restore(desk.book.snapshot())
        again.now = desk.now + 1000.0
        assert words(again.tick()) == ["unshelved"]

    def test_a_record_that_does_not_fit_starts_normal_and_is_named(self):
        book = AlarmBook([plan("bore.high")])
        assert book.restore({"alarms": {"bore.high": {"state": {"state": "confused"}}}}).unreadable == ["bore.high"]
        assert book.state("bore.high").state == "normal"


def test_active_lists_conditions_whatever_is_shown():
    desk = Desk(plan("a.high"), plan("b.high"), plan("c.high"))
    desk.set("c.high")
    desk.act("shelve", "a.high")
    desk.set("a.high")
    assert desk.book.active() == ["a.high", "c.high"]
    assert desk.book.is_active("a.high") and not desk.book.is_active("b.high") and not desk.book.is_active("no.such")
