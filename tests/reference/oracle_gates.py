"""Which values of a tag are judged, worked out anew from the text: qualities, `when`, `when_now`, values that stand, downtime.

Imports nothing of `metrepost.rules`. The text is that of `rules/README.md`:

* good and uncertain readings are judged where `when` holds for their metre, bad ones are gaps;
* where `when` does not hold, pending delays are dropped and active conditions end;
* a tag that says nothing keeps its last good value, judged at every tick of the line clock; a bad reading ends that, and after a
  restart a reading must confirm the value first.

`moments` are what `support_oracles.live` keeps. Times in seconds, lengths in metres.
"""

QUIET = 0.25
"""A value stands when its tag said nothing for longer (two intervals of the tag, at least a quarter of a second)."""
DOWN = 5.0
"""A daemon that was gone for longer knows no standing values."""


def states_by_metre(moments):
    """For each moment, the line states told so far as ``[(die metre, state), …]``, rising; cable made again replaces what was."""
    marks, out = [], []
    for moment in moments:
        if moment.what == "line":
            marks = [*[mark for mark in marks if mark[0] < moment.metre], (moment.metre, moment.state)]
        out.append(marks)
    return out


def made_in(marks, metre, state_now):
    """The state in which `metre` was at the die; what was made before the first look is assumed to be like it."""
    if not marks:
        return state_now
    return next((state for at, state in reversed(marks) if at <= metre), marks[0][1])


def heard(moments, k):
    """The last value and quality of each tag up to and with moment `k`: ``{tag: (value, quality)}``. A restart forgets."""
    out = {}
    for moment in moments[: k + 1]:
        if moment.what == "restart":
            out = {}
        elif moment.what == "reading":
            out[moment.tag] = (moment.value, moment.quality)
    return out


def gates(moments, when=None, when_now=None):
    """A function ``(k, metre) -> bool``. `when` and `when_now` are functions of (line state, last values) that give True, False or
    None for not known; doubt does not silence a rule."""
    marks = states_by_metre(moments)

    def holds(k, metre):
        moment = moments[k]
        if when is not None and when(made_in(marks[k], metre, moment.state), moments, k) is False:
            return False
        return when_now is None or when_now(moment.state, moments, k) is not False

    return holds


class Row:
    """One look at a value. `how`: ``judge``, ``gap`` (nothing known) or ``shut`` (`when` does not hold)."""

    def __init__(self, k, how, time, metre, value=float("nan"), quality="bad", *, standing=False):
        self.k, self.how, self.time, self.metre, self.value, self.quality = k, how, time, metre, value, quality
        self.standing = standing


def looks(moments, tag, station, holds):
    """Every look at a tag: its readings, and ticks at which its value stands."""
    rows, last, said = [], None, None
    for k, moment in enumerate(moments):
        if moment.what == "restart" and moment.value > DOWN:
            last = None
            rows.append(Row(k, "gap", moment.now, 0.0))
        elif moment.what == "reading" and moment.tag == tag:
            if moment.quality == "bad":
                last = None
                rows.append(Row(k, "gap", moment.time, moment.metre))
                continue
            last, said = (moment.value, moment.quality), moment.time
            how = "judge" if holds(k, moment.metre) else "shut"
            rows.append(Row(k, how, moment.time, moment.metre, moment.value, moment.quality))
        elif moment.what == "tick" and last is not None and moment.now - said > QUIET:
            metre = moment.at[station]
            how = "judge" if holds(k, metre) else "shut"
            rows.append(Row(k, how, moment.now, metre, *last, standing=True))
    return rows
