"""`count` of a counter tag worked out anew from the text of `rules/README.md`; nothing of `metrepost.rules` is imported.

Every good reading of the counter brings the increment over the reading before it: what it rose; all it shows, where it fell to half or
less (a reset); nothing, where it fell less (a slip). More than the limit within the last `per` raises, half the limit or less returns.
Outside `when` increments are told but not counted, conditions end, and what was counted stays counted.
"""

SHARE = 64
"""Things within 1/64 of the window after another share its place."""


def increments(moments, tag):
    """``[(k of the reading, k of the reading before, increment)]``, restarts or not."""
    out, before = [], None
    for k, moment in enumerate(moments):
        if moment.what != "reading" or moment.tag != tag or moment.quality == "bad" or moment.value < 0:
            continue
        if before is not None:
            was, now = moments[before].value, moment.value
            new = now - was if now >= was else now if now <= was / 2 else 0
            out.append((k, before, int(new)))
        before = k
    return out


def count_transitions(moments, tag, station, windows, *, holds):
    """`windows`: ``{limit name: (limit, ("m" or "s", size))}``. ``[(limit name, word, time, metre, k, count, quality), …]``."""
    new_at = {k: new for k, _, new in increments(moments, tag)}
    counted = [(k, new) for k, new in new_at.items() if new and holds(k, moments[k].metre)]
    out = []
    for place, (name, (limit, per)) in enumerate(windows.items()):
        active = False
        counts = counts_at(moments, station, tag, counted, per)
        for k, count in counts:
            moment = moments[k]
            reading = moment.what == "reading"
            time, metre = (moment.time, moment.metre) if reading else (moment.now, moment.at[station])
            shut = not holds(k, metre)
            over = count > limit if not active else 2 * count > limit
            if (over and not shut) != active:
                active = not active
                quality = moment.quality if reading and not shut else "good"
                out.append((k, place, name, "raised" if active else "returned", time, metre, count, quality))
    return [(name, word, time, metre, k, count, q) for k, _, name, word, time, metre, count, q in sorted(out)]


def counts_at(moments, station, tag, counted, per):
    """``[(k, count)]``: how many things stand in the window at each reading of the counter and at each tick."""
    looks = []
    for k, moment in enumerate(moments):
        if moment.what == "tick":
            looks.append((k, moment.at[station] if per[0] == "m" else moment.now))
        elif moment.what == "reading" and moment.tag == tag and moment.quality != "bad" and moment.value >= 0:
            looks.append((k, moment.metre if per[0] == "m" else moment.time))
    new = dict(counted)
    places = []  # [place of the first, place of the last, count]: things that share a place go together
    out = []
    for k, x in looks:
        places = [p for p in places if p[1] > x - per[1]]
        if k in new:
            x = max(x, places[-1][1]) if places else x
            if places and x - places[-1][0] <= per[1] / SHARE:
                places[-1] = [places[-1][0], x, places[-1][2] + new[k]]
            else:
                places.append([x, x, new[k]])
        out.append((k, sum(p[2] for p in places)))
    return out
