"""On-delay and off-delay of a list of looks, worked out anew from the text; nothing of `metrepost.rules` is imported.

The value must be beyond its limit for the whole on-delay: a gap between two values beyond counts. Once active it must be clear for the
whole off-delay: a gap does not count, and does not begin it anew; a look that says nothing is a gap. Where `when` does not hold, all
of it is dropped. During a hold-off an active alarm stays and its off-delay waits, as in a gap; what was pending begins anew after it.
"""

from itertools import pairwise

SLACK = 1e-6
"""Seconds or metres: below what doubles can tell of today's seconds."""


def x_of(row, delay):
    """The position of a look on the scale of a delay ``("m" or "s", size)``."""
    return row.metre if delay[0] == "m" else row.time


def delayed(rows, beyond, clear, on, off):
    """``[(word, onset row, decision row), …]``: ``raised`` and ``returned`` in turn; the onset is where the value went beyond, or
    came back. `beyond` and `clear` are functions of a row; None from `beyond` means that the row says nothing."""
    out, active = [], False
    for j, row in enumerate(rows):
        if row.how == "shut":
            if active:
                out.append(("returned", row, row))
            active = False
        elif row.how == "judge" and beyond(row) is not None:
            if not active:
                run = together(rows[: j + 1], beyond, anew=True)
                if run and x_of(row, on) - x_of(run[0], on) >= on[1] - SLACK:
                    active = True
                    out.append(("raised", run[0], row))
            else:
                run = together(rows[: j + 1], clear)
                says = [x_of(look, off) if look.how == "judge" and clear(look) is not None else None for look in run]
                waited = sum(max(0.0, b - a) for a, b in pairwise(says) if a is not None and b is not None)
                if run and waited >= off[1] - SLACK:
                    active = False
                    out.append(("returned", run[0], row))
    return out


def together(rows, says, *, anew=False):
    """The last looks in a row of which every judged one `says` so; gaps lie between. Begins with a judged one. With `anew`
    a hold-off ends the row."""
    out = []
    for row in reversed(rows):
        if row.how == "shut" or (row.how == "judge" and says(row) is False) or (row.how == "hold" and anew):
            break
        out.append(row)
    out.reverse()
    while out and (out[0].how != "judge" or says(out[0]) is None):
        del out[0]
    return out
