import orjson
import pytest

from metrepost_sim.score import combined, main, score, score_files
from metrepost_sim.score_card import BLIND, UNCOVERED, WITNESSED
from metrepost_sim.score_table import summary, table
from support_simulators import HEADER, alarm, event, flaw_row, save

PINHOLE = {"kind": "pinhole", "metre": 130.0, "passed": True, "counted": True}
CUT = {"kind": "cut", "metre": 150.0}
TRUTH = [
    HEADER,
    flaw_row("lump", 100.0),
    flaw_row("lump", 105.0, hot=None, covered=False),
    flaw_row("lump", 110.0, hot=0.005),
    flaw_row("lump", 115.0, cold=0.055),
    flaw_row("drop", 120.0, hot=0.004),
    flaw_row("drop", 125.0, hot=0.004),
    flaw_row("neck", 127.0),
    flaw_row("lump", 900.0, cold=None, hot=None, passed=False),
    PINHOLE,
    CUT,
]
PERFECT = [
    alarm(100.0),
    alarm(105.01),
    event("drop", 110.0, rule="cold-lump"),
    event("drop", 120.0, rule="cold-lump"),
    event("drop", 125.0, rule="cold-lump"),
    alarm(127.0, rule="cold-neck", limit="neck"),
    event("spark", 130.05, faults=1),
    event("cut", 150.3, metre_uncertainty=0.5),
]


def counts(result):
    return {kind: (row.shown, row.missed, row.listed) for kind, row in result.lumps_shown.items()}


def test_a_perfect_run():
    result = score(TRUTH, PERFECT)
    assert counts(result) == {WITNESSED: (1, 0, 0), UNCOVERED: (1, 0, 0), BLIND: (1, 1, 1)}
    assert (result.missed_bar, result.unlisted) == (0, 0)
    assert (result.lumps, result.drops, result.drops_shown, result.drops_alarmed) == (4, 2, 2, 0)
    assert (result.alarms, result.false_alarms, result.doubles) == (3, 0, 0)
    assert (result.necks_shown, result.necks_missed) == (1, 0)
    assert (result.sparks, result.sparks_missed, result.sparks_outside) == (1, 0, 1)
    assert result.spark_distance == pytest.approx(0.05)
    assert (result.cuts, result.cuts_missed) == (1, 0)
    assert result.cut_distance == pytest.approx(0.3)
    assert result.alarmed_metres == pytest.approx(0.12)
    assert result.alarmed_metres < result.alarmed_metres_allowed


@pytest.mark.parametrize(("gone", "kind"), [(0, WITNESSED), (1, UNCOVERED)])
def test_one_lump_missed(gone, kind):
    result = score(TRUTH, PERFECT[:gone] + PERFECT[gone + 1 :])
    assert result.missed_bar == 1
    assert counts(result)[kind] == (1, 1, 0)
    assert result.unlisted == 1
    assert [row["class"] for row in result.missed] == [kind, BLIND]


@pytest.mark.parametrize(("shown", "clear"), [(0.079, 0), (0.081, 1)])
def test_a_missed_lump_near_the_limit_is_told_apart(shown, clear):
    result = score([HEADER, flaw_row("lump", 100.0, cold=shown)], [])
    assert (result.missed_bar, result.missed_clear) == (1, clear)


def test_a_blind_lump_must_be_listed():
    result = score(TRUTH, [e for e in PERFECT if e["data"]["metre"] != 110.0])
    assert counts(result)[BLIND] == (1, 1, 0)
    assert (result.missed_bar, result.unlisted) == (0, 1)


def test_one_drop_alarmed():
    result = score(TRUTH, [*PERFECT, alarm(120.0)])
    assert (result.drops_alarmed, result.missed_bar) == (1, 0)
    assert result.drops_alarmed_per_1000 == 500.0
    assert result.alarmed_drops[0]["metre"] == 120.0


def test_a_drop_that_no_witness_covers_must_alarm_and_has_its_own_count():
    truth = [HEADER, flaw_row("drop", 120.0, hot=None, covered=False), flaw_row("drop", 125.0, hot=0.004)]
    result = score(truth, [alarm(120.0)])
    assert (result.drops, result.drops_alarmed) == (2, 1)
    assert (result.drops_covered, result.drops_covered_alarmed, result.drops_alarmed_per_1000) == (1, 0, 0.0)


def test_an_alarm_that_a_lump_beside_the_drop_explains_is_not_the_drops():
    result = score([*TRUTH, flaw_row("drop", 100.1, hot=0.1)], PERFECT)
    assert result.drops_alarmed == 0


@pytest.mark.parametrize(
    "change",
    [{"transition": "returned"}, {"class": "equipment"}, {"trial": True}, {"limit": "high"}],
)
def test_what_is_no_raised_product_alarm_of_a_flaw_rule_does_not_count(change):
    wrong = alarm(100.0)
    wrong["data"].update(change)
    assert counts(score(TRUTH, [wrong, *PERFECT[1:]]))[WITNESSED] == (1, 1, 0)


@pytest.mark.parametrize(("off", "missed"), [(0.15, 0), (0.25, 1)])
def test_tolerance_is_registration_and_one_read_piece(off, missed):
    """0.05 + 0.001 * 60 + 0.02 s * 1 m/s + 1 m/s * 0.02 s = 0.15 m, and 40 mm of both pieces' own length."""
    assert counts(score(TRUTH, [alarm(100.0 + off), *PERFECT[1:]]))[WITNESSED][1] == missed


def test_an_alarm_of_the_hot_gauge_on_a_lump_still_on_its_way_is_explained():
    assert score(TRUTH, [*PERFECT, alarm(900.0, rule="hot-lump")]).false_alarms == 0


def test_doubles_and_alarms_on_nothing():
    result = score(TRUTH, [*PERFECT, alarm(100.02), alarm(100.0, rule="hot-lump"), alarm(500.0)])
    assert result.doubles == 1  # another rule's alarm on the same flaw is none
    assert result.false_alarms == 1


def test_instantaneous_and_dead_witnesses_are_judged_by_their_own():
    row = flaw_row("lump", 100.0, hot=None, covered=True, shown_hot_instant=0.001)
    assert counts(score([{**HEADER, "witness": "instantaneous"}, row], []))[UNCOVERED] == (1, 1, 0)
    assert counts(score([{**HEADER, "witness": "dead"}, flaw_row("lump", 100.0, hot=None)], []))[UNCOVERED] == (1, 1, 0)
    saw = flaw_row("lump", 100.0, hot=None, covered=False, shown_hot_instant=0.04)
    assert counts(score([{**HEADER, "witness": "instantaneous"}, saw], []))[WITNESSED] == (1, 1, 0)


def test_sparks_and_cuts_too_far_off_are_missed():
    far = [event("spark", 130.4, faults=1), event("cut", 153.0)]
    result = score(TRUTH, PERFECT[:-2] + far)
    assert (result.sparks_missed, result.cuts_missed) == (1, 1)


def test_runs_of_one_kind_are_added_and_others_kept_apart():
    other = [{**HEADER, "speed": 120.0}, *TRUTH[1:]]
    rows = combined([score(TRUTH, PERFECT), score(TRUTH, []), score(other, PERFECT)])
    assert [(r.speed, r.runs, r.missed_bar, r.drops) for r in rows] == [(60.0, 2, 2, 4), (120.0, 1, 0, 2)]


def test_the_table_has_lumps_missed_and_drops_alarmed_in_every_row():
    text = table([score(TRUTH, [*PERFECT[1:], alarm(120.0)])])
    row = next(line for line in text.splitlines() if "peak-hold" in line)
    assert "1 of 1" in row
    assert "1 of 2" in row
    assert "500.00" in row


def test_the_command_reads_two_files_and_nothing_else(tmp_path, capsys):
    truth, events = save(tmp_path / "truth.jsonl", TRUTH), save(tmp_path / "events.jsonl", PERFECT)
    assert main([str(truth), str(events), "--json"]) == 0
    [row] = orjson.loads(capsys.readouterr().out)
    assert row["missed_bar"] == 0
    assert row["lumps_shown"][BLIND] == {"shown": 1, "missed": 1, "listed": 1, "near": 0}
    assert main([str(truth), str(events)]) == 0
    assert "drops alarmed" in capsys.readouterr().out


def test_files_that_cannot_be_scored_are_named(tmp_path, capsys):
    truth, events = save(tmp_path / "truth.jsonl", TRUTH), tmp_path / "events.jsonl"
    assert main([str(truth), str(events)]) == 2
    assert "events.jsonl" in capsys.readouterr().err
    events.write_text('{"type": "metrepost.alarm.v1"}\nnot json\n')
    with pytest.raises(ValueError, match="line 2"):
        score_files(truth, events)
    with pytest.raises(ValueError, match="header"):
        score(TRUTH[1:], [])
    with pytest.raises(SystemExit):
        main([str(truth)])


def test_the_summary_says_of_each_kind_how_many_of_how_many():
    truth = [HEADER, flaw_row("lump", 1100.0), flaw_row("drop", 1110.0)]
    text = summary(score(truth, [alarm(1100.0)]))
    assert "1 of 1 alarmed" in text
    assert "1 of 1 held back" in text
