"""The short form of the fault rig, and that it finds a seeded bug. The long form is `python tests/faults/run.py`."""

import pytest
from fault_rig import Round

pytestmark = [pytest.mark.broker, pytest.mark.timeout(300)]


def test_kills_cuts_and_damaged_answers_lose_nothing_and_tell_nothing_twice(tmp_path):
    verdict = Round(tmp_path, seed=4, kills=6, up=(0.5, 1.5)).run()
    assert verdict.good, {kind: sentences[:5] for kind, sentences in verdict.wrong.items()}
    assert verdict.counts["harm: SIGKILL"] == 6
    assert verdict.counts["events"] > 300
    assert verdict.counts["spark faults judged"] > 10


def test_a_journal_that_forgets_one_flaw_in_twenty_is_found_out(tmp_path):
    verdict = Round(tmp_path, seed=5, kills=1, up=(6.0, 7.0), forgetful=True).run()
    assert any("has no flaw event" in sentence for sentence in verdict.wrong["told once"])
    assert not verdict.wrong["no hole"]  # the stream itself is whole: only the truth shows it


def test_a_full_disk_is_waited_out(tmp_path):
    one = Round(tmp_path, seed=1, kills=1, up=(0.5, 1.0), kinds=("full disk",))
    verdict = one.run()
    assert verdict.counts["harm: full disk"] >= 1
    assert "journal writes again" in (tmp_path / "daemon.log").read_text(), "the disk was never full"
    assert verdict.good, {kind: sentences[:5] for kind, sentences in verdict.wrong.items()}
