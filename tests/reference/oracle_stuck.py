"""`stuck` worked out anew from the text of `rules/README.md`; nothing of `metrepost.rules` is imported.

A tag is stuck when all values since some look lie within `tolerance` of the first of them, for longer than `for`. One stuck tag raises; it
returns when all of them moved again, or are no longer judged. A bad reading neither moves a value nor ends its standing.
"""

from oracle_gates import looks


def stuck_transitions(moments, tags, stations, length, tolerance, *, holds):
    """`stations` by tag; `length` is ``("s" or "m", size)``."""
    rows = {tag: looks(moments, tag, stations[tag], holds) for tag in tags}
    at = {tag: {row.k: n for n, row in enumerate(rows[tag])} for tag in tags}
    base = dict.fromkeys(tags)  # the look at which the value began to stand
    stuck = dict.fromkeys(tags, False)
    out, active = [], False
    for k in range(len(moments)):
        for tag in tags:
            if k not in at[tag]:
                continue
            row = rows[tag][at[tag][k]]
            if row.how == "gap":
                continue
            if row.how == "shut":
                base[tag], stuck[tag] = None, False
            elif base[tag] is None or abs(row.value - base[tag].value) > tolerance:
                base[tag], stuck[tag] = row, False
            else:
                stood = row.metre - base[tag].metre if length[0] == "m" else row.time - base[tag].time
                stuck[tag] = stuck[tag] or stood > length[1]
            if any(stuck.values()) != active:
                active = not active
                out.append(("raised", base[tag], row) if active else ("returned", row, row))
    return out
