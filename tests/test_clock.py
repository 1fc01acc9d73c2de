"""Line time over a restart: it goes on, whatever somebody did to the wall clock meanwhile."""

import pytest

from metrepost import clock as clocks
from metrepost.clock import UNKNOWN, SystemClock


class Machine:
    """The module `time` of a machine, and which boot it is."""

    def __init__(self, monkeypatch, tmp_path):
        self.wall, self.up = 1_800_000_000.0, 500.0
        self._file = tmp_path / "boot_id"
        self.boot("first")
        monkeypatch.setattr(clocks, "time", self)
        monkeypatch.setattr(clocks, "BOOT", self._file)

    def boot(self, name):
        self._file.write_text(name)

    def time(self):
        return self.wall

    def monotonic(self):
        return self.up

    def passes(self, seconds):
        self.wall += seconds
        self.up += seconds


@pytest.fixture
def machine(monkeypatch, tmp_path):
    return Machine(monkeypatch, tmp_path)


def test_nothing_is_changed_when_nobody_touched_the_clock(machine):
    before = SystemClock().mark()
    machine.passes(30.0)
    after = SystemClock()
    assert after.resume(before) == 0.0
    assert after.line_time() == before["line"] + 30.0


def test_a_wall_clock_set_back_while_nobody_ran_is_not_followed(machine):
    before = SystemClock().mark()
    machine.passes(30.0)
    machine.wall -= 3600.0
    after = SystemClock()
    assert after.resume(before) == -3600.0
    assert after.line_time() == before["line"] + 30.0
    machine.passes(100.0)
    assert after.look() == 0.0, "it was told already"
    assert after.line_time() == pytest.approx(
        before["line"] + 130.0, abs=0.051
    )  # drawn towards the wall clock, 0.5 ms a second
    again = SystemClock()
    again.resume(after.mark())
    assert again.line_time() == after.line_time(), "a second restart adds nothing"


def test_a_wall_clock_set_forward_while_nobody_ran_is_followed(machine):
    before = SystemClock().mark()
    machine.wall += 3600.0
    after = SystemClock()
    assert after.resume(before) == 0.0
    assert after.line_time() == machine.wall


@pytest.mark.parametrize(("wall", "assumed"), [(-3600.0, UNKNOWN), (20.0, 20.0), (7200.0, 7200.0)])
def test_after_a_boot_the_wall_clock_is_all_there_is(machine, wall, assumed):
    """A machine without a battery for its clock starts in the past; one with it is believed, however short it was away."""
    before = SystemClock().mark()
    machine.boot("second")
    machine.wall += wall
    machine.up = 3.0
    after = SystemClock()
    assert after.resume(before) == (wall - UNKNOWN if wall < 0 else 0.0)
    assert after.line_time() == before["line"] + assumed


def test_a_mark_of_a_state_without_one_is_the_time_of_its_last_commit(machine):
    after = SystemClock()
    assert after.resume({"line": machine.wall + 5.0}) == -5.0 - UNKNOWN
