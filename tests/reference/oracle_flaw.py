"""What `flaw` must say of a trace, worked out anew from the text of the reference: nothing of `metrepost.rules` is imported.

Polls come in order of metre. Each poll gives, per gauge, the piece of cable it stands for and the values of both axes (None: lost). All
lengths in metres, heights in mm. The whole trace is at hand, so every step is a plain look at lists.
"""

from statistics import median

BINS = 50
RELEASE = 0.75
FROZEN = 10
LOCAL = 0.7
LEAST = 8
SPREADS = 3.0


def levels(metres, values, length):
    """The running median by metre that each reading is compared with: whole bins of length/50 before it, in the window."""
    width = length / BINS
    bins = {}
    out = []
    last_key = None
    for metre, value in zip(metres, values, strict=True):
        if last_key is None:
            out.append(value)
        else:
            whole = [sum(v) / len(v) for k, v in bins.items() if last_key - BINS < k < last_key]
            out.append(median(whole) if whole else sum(bins[last_key]) / len(bins[last_key]))
        key = int(metre // width)
        bins.setdefault(key, []).append(value)
        last_key = key
    return out


def witness_rises(metres, values, length):
    """Rise of each good witness reading over its own level; a lost one has none. The level takes the reading's own bin in when new."""
    width = length / BINS
    bins = {}
    out = []
    for metre, value in zip(metres, values, strict=True):
        if value is None:
            out.append(None)
            continue
        key = int(metre // width)
        bins.setdefault(key, []).append(value)
        whole = [sum(v) / len(v) for k, v in bins.items() if key - BINS < k < key]
        out.append(value - (median(whole) if whole else sum(bins[key]) / len(bins[key])))
    return out


def excursions(pieces, axes, length, height):
    """Excursions of one gauge: lists of (poll, axis) over the limit, with the bounds that the readings under it set."""
    level = [levels([end for _, end in pieces], axis, length) for axis in axes]
    open_, found = None, []
    over_now = [False, False]
    under_end = [None, None]
    for k, (start, end) in enumerate(pieces):
        for a, axis in enumerate(axes):
            rise = axis[k] - level[a][k]
            if rise > (RELEASE * height if over_now[a] else height):
                if open_ is None:
                    open_ = {"low": None, "high": end, "start": start, "end": end, "peak": rise, "axes": set(), "last": k}
                if a not in open_["axes"]:
                    low = start if under_end[a] is None else min(under_end[a], start)
                    open_["low"] = low if open_["low"] is None else min(open_["low"], low)
                    open_["axes"].add(a)
                open_["start"], open_["end"] = min(open_["start"], start), max(open_["end"], end)
                open_["high"] = max(open_["high"], end)
                open_["peak"] = max(open_["peak"], rise)
                open_["last"] = k
                over_now[a] = True
            else:
                under_end[a] = end
                if open_ is not None and over_now[a]:
                    open_["high"] = max(open_["high"], start)
                over_now[a] = False
                spoke = a == len(axes) - 1  # the axes of a poll come in order: the last one completes it
                if open_ is not None and not any(over_now) and (k > open_["last"]) and spoke:
                    found.append(open_)
                    open_ = None
    return found


def verdict(one, hot_pieces, hot_axes, rises, *, max_length, height, registration):
    """``drop``, ``lump`` or ``unwitnessed`` for one excursion."""
    if one["high"] - one["low"] > max_length:
        return "lump"
    low, high = one["start"] - registration, one["end"] + registration
    rise, spread, doubt = float("-inf"), 0.0, False
    for values, over in zip(hot_axes, rises, strict=True):
        within = [k for k, (start, end) in enumerate(hot_pieces) if end >= low and start <= high]
        if not within:
            return "unwitnessed"
        reached = low
        for k in within:
            if over[k] is None:
                doubt = True
                continue
            if hot_pieces[k][0] > reached + 1e-6:
                doubt = True
            reached = max(reached, hot_pieces[k][1])
        doubt = doubt or reached < high - 1e-6 or frozen(values, within)
        largest = max((over[k] for k in within if over[k] is not None), default=float("-inf"))
        beside = sorted(
            over[k]
            for k, (start, end) in enumerate(hot_pieces)
            if over[k] is not None
            and k not in within
            and ((k < within[0] and end >= low - LOCAL) or (k > within[-1] and start <= high + LOCAL))
        )
        level = 0.0
        if len(beside) >= LEAST:
            level = beside[len(beside) // 2]
            away = sorted(abs(r - level) for r in beside)
            spread = max(spread, 1.4826 * away[len(away) // 2])
        rise = max(rise, largest - min(0.0, level))
    if rise >= max(height / 2 - SPREADS * spread, height / 4):
        return "lump"
    return "unwitnessed" if doubt else "drop"


def frozen(values, within):
    """Ten equal readings in a row, one of them within the window."""
    for k in within:
        if values[k] is None:
            continue
        low = high = k
        while low > 0 and values[low - 1] == values[k]:
            low -= 1
        while high < len(values) - 1 and values[high + 1] == values[k]:
            high += 1
        if high - low + 1 >= FROZEN:
            return True
    return False
