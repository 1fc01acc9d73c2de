"""`hold_off` worked out anew from the text; nothing of `metrepost.rules` is imported.

After the watched tag changed (from one good value to another), for a length at its station or a time, nothing new is raised and what stood
is held; at its end the standing value is judged at the next tick or reading. Delays that were pending begin anew. `when` goes before it.
"""


def changes(moments, tag):
    """Moments at which a good reading of the tag differs from the good one before it: ``[k, …]``."""
    out, before = [], None
    for k, moment in enumerate(moments):
        if moment.what == "reading" and moment.tag == tag and moment.quality == "good":
            if before is not None and moment.value != before:
                out.append(k)
            before = moment.value
    return out


def holding(moments, tag, station, extent):
    """For each moment whether the rule is held. `extent` is ``("s" or "m", size)``."""
    out, last = [], None
    at = set(changes(moments, tag))
    for k, moment in enumerate(moments):
        if k in at:
            last = moment
        if last is None:
            out.append(False)
        elif extent[0] == "s":
            out.append(moment.now - last.time < extent[1])
        else:
            out.append(abs(moment.at.get(station, 0.0) - last.metre) < extent[1])
    return out


def held_back(rows, held):
    """The looks of `oracle_gates.looks` with those within the hold-off marked: ``hold`` in place of ``judge``."""
    for row in rows:
        if row.how == "judge" and held[row.k]:
            row.how = "hold"
    return rows
