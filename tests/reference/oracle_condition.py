"""`condition` worked out anew from the text of `rules/README.md`; nothing of `metrepost.rules` is imported.

The expression is worked out at every reading of its tags and on every tick. One that needs an absent value holds the state. `when` is
answered for the metre in front of the station of its first tag; a good reading for whose metre it does not hold ends what is active.
"""

from oracle_delays import delayed
from oracle_gates import DOWN, Row


def condition_transitions(moments, tags, station, answer, *, on, off, holds, held=None):
    """`answer` is a function of (line state, moments, k) that gives True, False or None; `held` says for each moment whether it is held
    by `hold_off`."""
    rows = []
    for k, moment in enumerate(moments):
        if moment.what == "restart" and moment.value > DOWN:
            rows.append(Row(k, "gap", moment.now, 0.0))
        if moment.what == "tick" or (moment.what == "reading" and moment.tag in tags):
            metre = moment.at[station]
            shut = not holds(k, metre)
            if moment.what == "reading" and moment.quality != "bad":
                shut = shut or not holds(k, moment.metre)
            known = None if shut else answer(moment.state, moments, k)
            how = "shut" if shut else "gap" if known is None else "judge"
            if held is not None and held[k] and how != "shut":
                how = "hold"
            row = Row(k, how, moment.now, metre, None, "good")
            row.answer = known
            rows.append(row)
    return delayed(rows, lambda row: row.answer, lambda row: not row.answer, on, off)
