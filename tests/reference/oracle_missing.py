"""`missing` worked out anew from the text of `rules/README.md`; nothing of `metrepost.rules` is imported.

No good reading of one of the tags for longer than `for` raises, and it returns when all of them are heard again. Silence counts from
the start of the daemon (its first tick), only while `when` holds at that moment for the cable in front of the tag's station, and not while
the daemon was down. Bad readings are silence.
"""

from oracle_gates import DOWN, Row


def missing_transitions(moments, tags, stations, length, *, holds):
    """`stations` by tag; `length` is ``("s" or "m", size)``. The raised rows carry the time and metre since which it is silent."""
    out, active = [], False
    since = dict.fromkeys(tags)
    for k, moment in enumerate(moments):
        if moment.what == "restart" and moment.value > DOWN:
            gone = next((m.now for m in moments[k:] if m.what == "tick"), moment.now) - last_tick(moments, k)
            for tag, heard in since.items():
                if heard is not None:
                    since[tag] = (heard[0] + gone, heard[1])
        if moment.what == "reading" and moment.tag in tags and moment.quality != "bad":
            since[moment.tag] = (moment.now, moment.at[stations[moment.tag]])
            if not active:
                continue
        elif moment.what != "tick":
            continue
        silent = {}
        for tag in tags:
            metre = moment.at[stations[tag]]
            if since[tag] is None or not holds(k, metre):
                since[tag] = (moment.now, metre)
            elif (metre - since[tag][1] if length[0] == "m" else moment.now - since[tag][0]) > length[1]:
                silent[tag] = since[tag]
        if bool(silent) == active:
            continue
        active = bool(silent)
        here = Row(k, "judge", moment.now, moment.at[stations[tags[0]]], None, "bad" if active else "good")
        if active:
            first = min(silent.values())
            here.value = moment.now - first[0] if length[0] == "s" else None
            out.append(("raised", Row(k, "judge", *first), here))
        else:
            out.append(("returned", here, here))
    return out


def last_tick(moments, k):
    """When the last tick before moment `k` was."""
    return next((m.now for m in reversed(moments[:k]) if m.what == "tick"), moments[k].now)
