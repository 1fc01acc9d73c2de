"""The table as data: complete, closed, and drawn on its page."""

from pathlib import Path

import metrepost.alarms
from metrepost.alarms.diagram import LETTERS, diagram, redraw
from metrepost.alarms.states import COVERING, STATES, TABLE, Input, Move, Refusal, Stay, cell


def test_every_state_meets_every_input_in_a_cell_or_a_named_refusal():
    assert set(TABLE) == set(STATES)
    for state in STATES:
        assert set(TABLE[state]) == set(Input), state
        for given in Input:
            found = cell(state, given)
            assert isinstance(found, Move | Stay | Refusal)
            if not isinstance(found, Move):
                assert len(found.why) > 10


def test_every_state_can_be_reached_from_normal_and_left_back_to_normal():
    ways = {state: set() for state in STATES}
    for state in STATES:
        for given in Input:
            for latch in (False, True):
                found = cell(state, given, latch=latch)
                if isinstance(found, Move):
                    ways[state].add(found.to)

    def reach(start):
        seen, waiting = {start}, [start]
        while waiting:
            for to in ways[waiting.pop()] - seen:
                seen.add(to)
                waiting.append(to)
        return seen

    assert reach("normal") == set(STATES)
    for state in STATES:
        assert "normal" in reach(state)


def test_only_ways_out_of_covering_states_rejoin_and_all_of_them_do():
    for state in STATES:
        for given in Input:
            found = cell(state, given)
            if isinstance(found, Move):
                leaves = state in COVERING and found.to not in COVERING
                assert found.rejoin == leaves, (state, given)


def test_the_page_shows_the_diagram_and_the_table_that_are_in_the_program():
    page = (Path(metrepost.alarms.__file__).parent / "README.md").read_text(encoding="utf-8")
    assert page == redraw(page)
    assert diagram() in page


def test_the_letters_are_those_of_the_standard():
    assert LETTERS["normal"] == "A" and LETTERS["out_of_service"] == "I" and len(LETTERS) == 9
