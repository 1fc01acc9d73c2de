import io
import os
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

import pytest
from rich.console import Console

from metrepost.commands.board import Board
from metrepost.commands.glyphs import PLAIN
from metrepost.commands.plain_lines import plain_line
from metrepost.commands.ruler import LABEL
from metrepost.commands.view import View, render
from metrepost.events import ClockEvent, EndpointEvent, Event, LineEvent
from metrepost.readings import BAD
from support_commands import (
    DIE0,
    LUMP,
    WATER,
    cable,
    cut,
    diameter,
    drop,
    facts,
    plan,
    reel,
    spark,
    state,
    story,
)

ROOT = Path(__file__).resolve().parents[2]


def told(at: float = 0.0, **changes: object) -> Board:
    board = Board(plan())
    for item in [*cable(at), *story()]:
        board.note(item)
    board.see(facts(at, **changes))
    return board


def screen(board: Board, width: int = 80, height: int = 24) -> list[str]:
    lines = [line.plain for line in render(board, width, height, zone=UTC)]
    assert len(lines) <= height
    assert max(len(line) for line in lines) <= width
    return lines


def row(lines: list[str], start: str) -> str:
    """The line that begins with `start`."""
    return next(line for line in lines if line.startswith(start))


def test_an_alarm_says_what_where_when_on_the_reel_since_when_and_what_to_do() -> None:
    text = "\n".join(screen(told()))
    assert "HIGH      cold-diameter.high  4.861 mm, limit 4.850 mm" in text
    assert "metre 12338.4  on the reel in 0:12 (24 m)  since 08:00:00" in text
    assert "do: Lower the foam screw by 0.5 rpm; watch the hot gauge" in text
    assert "taken by mara" in text


def test_the_countdown_runs_with_the_cable() -> None:
    board = told()
    board.see(facts(4))
    assert "on the reel in 0:08 (16 m)" in "\n".join(screen(board))
    board.see(facts(40))
    assert "on the reel, 56 m in" in "\n".join(screen(board))


def test_what_was_held_back_says_why() -> None:
    lines = screen(told())
    assert "1 taken for water" in row(lines, "HELD BACK")
    assert f" 12330.0  +110 µm  {WATER}" in lines


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (200, 60), (40, 24), (80, 12)])
def test_every_size_shows_the_worst_alarm_first(width: int, height: int) -> None:
    lines = screen(told(), width, height)
    names = [line.split()[1] for line in lines if line.startswith((" HIGH", " MEDIUM"))]
    assert names[0] == "cold-lump.lump"


def test_more_alarms_than_room_are_counted() -> None:
    board = told()
    for n in range(20):
        board.note(state(f"rule-{n:02d}.high", priority="low"))
    lines = screen(board)
    shown = sum(line.startswith((" HIGH", " MEDIUM", " LOW")) for line in lines)
    assert any(f"and {23 - shown} more" in line for line in lines)
    assert row(lines, "metre")


def test_traces_and_marks_stand_over_the_same_metre() -> None:
    """The lump at metre 12336, seen by both gauges, lies in one column of both traces, of the marks and of the ruler."""
    lines = screen(told(), 160, 40)
    step = 114.0 / (160 - LABEL)
    column = LABEL + int((DIE0 - LUMP) / step)
    assert row(lines, "hot ")[column] == "█"
    assert row(lines, "cold ")[column] == "█"
    assert row(lines, "flaws")[column] == "▲"
    tick = row(lines, "metre").index("┴12340") - LABEL
    assert tick == int((DIE0 - 12_340.0) / step)


def test_marks_travel_to_the_take_up() -> None:
    board = told()
    before = row(screen(board), "flaws").index("▲")
    board.see(facts(5))
    after = row(screen(board), "flaws").index("▲")
    assert after - before == pytest.approx(10.0 / (114.0 / (80 - LABEL)), abs=1)


def test_each_kind_of_mark_is_drawn_and_explained() -> None:
    lines = screen(told())
    flaws = row(lines, "flaws")
    legend = next(line for line in lines if "unwitnessed" in line)
    for glyph in "▲·✕┃":
        assert glyph in flaws
        assert glyph in legend


def test_stations_stand_at_their_positions() -> None:
    lines = screen(told())
    ruler = lines.index(row(lines, "metre"))
    below = lines[ruler + 1 : ruler + 3]
    step = 114.0 / (80 - LABEL)
    for name, position in [("die", 0.0), ("hot", 1.5), ("wipe", 55.5), ("cold", 61.5), ("spark", 70.0), ("take-up", 86.0)]:
        places = [line.find("╵" + name) for line in below]
        assert LABEL + int(position / step) in places, name


def test_a_piece_that_nobody_looked_at_is_marked_blind() -> None:

    board = told()
    for n in range(40):
        board.note(diameter("cold-gauge", DIE0 - 61.5 + n * 0.25, float("nan"), BAD))
    board.see(facts(5))
    lines = screen(board)
    assert "?" in row(lines, "cold ?")[LABEL:]
    assert "?" not in row(lines, "hot ")[LABEL:]


def test_quiet_is_told_from_blind() -> None:
    board = Board(plan())
    board.see(facts())
    assert "   Nothing" in screen(board)
    board.see(facts(endpoints={"gauges": False, "plc": True}))
    lines = screen(board)
    assert "   No alarm, but gauges is down: flaws may pass unseen" in lines
    assert "gauges DOWN" in lines[1]


def test_the_head_says_line_state_speed_product_reel_and_broker() -> None:
    head = screen(told(broker="refused", waiting=12), 120)[:2]
    for part in ("northmere core-3", "PRODUCING", "120.0 m/min", "K75-480", "08:00:00"):
        assert part in head[0]
    for part in ("reel 17: 14 m, 1 spark", "3 endpoints up", "broker REFUSED, 12 waiting"):
        assert part in head[1]


def test_before_the_first_readings_it_says_so() -> None:
    lines = screen(Board(plan()))
    assert "waiting for the first readings" in lines[0]
    assert "   Nothing known yet" in lines


def test_a_standing_line_has_no_countdown() -> None:
    text = "\n".join(screen(told(speed=0.0, state="stopped")))
    assert "24 m before the reel" in text
    assert "on the reel in" not in text


def test_the_picture_without_unicode_is_all_ascii_but_for_the_rules_own_words() -> None:
    board = Board(plan())
    for item in [*cable(0.0), reel(), cut(), spark(), state("a.high")]:
        board.note(item)
    board.see(facts())
    lines = [line.plain for line in render(board, 80, 24, glyphs=PLAIN, zone=UTC)]
    assert all(line.replace("±", "").replace("µ", "").isascii() for line in lines)


# ---- plain lines --------------------------------------------------------------------------------------------------------


def test_a_pipe_gets_one_plain_line_per_event_and_nothing_else() -> None:
    out = io.StringIO()
    with View(Board(plan()), Console(file=out, width=80), zone=UTC) as view:
        for item in story():
            view.note(item)
        view.see(facts())
    lines = out.getvalue().splitlines()
    assert len(lines) == sum(isinstance(item, Event) for item in story())
    assert lines[-1] == ("08:00:00  HIGH cold-lump.lump raised  metre 12336.0  4.890 mm (limit 4.850 mm)  do: Scrap from here")
    assert "\x1b" not in out.getvalue()


def test_a_dumb_terminal_gets_plain_lines() -> None:
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=80, _environ={"TERM": "dumb"})
    with View(Board(plan()), console, zone=UTC) as view:
        view.note(drop())
        view.see(facts())
    assert out.getvalue().count("\n") == 1
    assert "\x1b" not in out.getvalue()


def test_a_terminal_without_unicode_gets_what_it_can_show() -> None:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="ascii")
    with View(Board(plan()), Console(file=out, width=80), zone=UTC) as view:
        view.note(drop())
    out.flush()
    assert b"0.4 um rise" in raw.getvalue()


def test_lines_for_endpoints_and_the_line() -> None:
    lost = Event(1_800_000_000.0, EndpointEvent(endpoint="gauges", up=False, reason="connection refused", decided=""))
    assert plain_line(lost, UTC) == "08:00:00  endpoint gauges DOWN  connection refused"
    stopped = Event(1_800_000_000.0, LineEvent(state="stopped", previous="producing", product="K75-480", decided="", metre=1.0))
    assert plain_line(stopped, UTC) == "08:00:00  line stopped, was producing  metre 1.0  K75-480"
    stepped = Event(1_800_000_000.0, ClockEvent(step=-3600.0, decided="", explanation="line time was not"))
    assert plain_line(stepped, UTC) == "08:00:00  the wall clock was stepped by -3600.0 s  line time was not"


# ---- a real terminal ----------------------------------------------------------------------------------------------------

PLAYER = """
import sys, time
from support_commands import cable, facts, plan, story
from metrepost.commands.board import Board
from metrepost.commands.view import View
with View(Board(plan())) as view:
    for item in [*cable(0.0), *story()]:
        view.note(item)
    view.see(facts(0.0))
    view.see(facts(4.0))
    print("drawn", file=open(sys.argv[1], "w"))
    while not sys.stdin.readline():
        time.sleep(0.01)
print("the view is closed")
"""


def test_in_a_real_terminal_it_draws_the_screen_and_gives_it_back(needs: Callable[[str], str], tmp_path: Path) -> None:
    tmux = needs("tmux")
    player, drawn = tmp_path / "player.py", tmp_path / "drawn"
    player.write_text(PLAYER)
    path = os.pathsep.join(str(ROOT / part) for part in ("daemon", "simulators", "tests"))
    base = [tmux, "-u", "-f", "/dev/null", "-S", str(tmp_path / "socket")]

    def run(*arguments: str) -> str:
        return subprocess.run([*base, *arguments], check=True, capture_output=True, text=True, timeout=20).stdout

    def wait_for(text: str) -> str:
        end = time.monotonic() + 20
        while time.monotonic() < end:
            shown = run("capture-pane", "-p", "-t", "0")
            if text in shown:
                return shown
            time.sleep(0.05)
        raise AssertionError(f"{text!r} never came; the pane shows:\n{shown}")

    command = f"TZ=UTC LC_ALL=C.UTF-8 PYTHONPATH={path} {sys.executable} {player} {drawn}; exec cat"
    run("new-session", "-d", "-x", "80", "-y", "24", f"sh -c '{command}'")
    try:
        shown = wait_for("on the reel in 0:08 (16 m)")
        assert "WRONG NOW  2 active, 2 not acknowledged" in shown
        assert WATER in shown
        assert "▲" in row(shown.splitlines(), "flaws")
        assert len(shown.rstrip("\n").splitlines()) == 24
        run("send-keys", "-t", "0", "Enter")
        assert "WRONG NOW" not in wait_for("the view is closed")
    finally:
        run("kill-server")
