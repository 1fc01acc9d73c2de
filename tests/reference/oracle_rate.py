"""`rate` worked out anew from the text of `rules/README.md`; nothing of `metrepost.rules` is imported.

The slope is the least-squares line through the looks of the last `over` seconds, those closer together than 1/128 of `over` being
one; there is none before three of them span 0.8 of `over`. Slopes are told in the unit of the limit. Where `when` does not hold, it
begins anew.
"""

import math

from oracle_delays import delayed
from oracle_gates import looks

CELLS = 128
SPAN = 0.8


def rate_transitions(moments, tag, station, *, over, limits, deadband, on, off, holds):
    """`limits`: ``{"rising": per second, …}`` in the order of the rule. Returns ``[(limit, word, onset row, decision row), …]``."""
    rows = looks(moments, tag, station, holds)
    told_at = {}
    slopes = {}
    points = []
    for n, row in enumerate(rows):
        if row.how == "shut":
            points = []
        if row.how != "judge":
            continue
        if not points or row.time >= points[-1].time:
            points.append(row)
        slopes[id(row)] = slope(list(points), over)
        told_at[id(row)] = n
    out = []
    for place, (limit, bound) in enumerate(limits.items()):
        side = 1 if limit == "rising" else -1

        def speed(row, side=side):
            got = slopes.get(id(row))
            return None if got is None else side * got[0]

        def beyond(row, bound=bound, speed=speed):
            return None if speed(row) is None else speed(row) > bound

        def clear(row, bound=bound, speed=speed):
            return None if speed(row) is None else not speed(row) > bound - deadband

        for word, onset, decided in delayed(rows, beyond, clear, on, off):
            got = slopes.get(id(decided))
            out.append((decided.k, place, limit, word, onset, decided, None if got is None else (side * got[0], got[1])))
    return [each[2:] for each in sorted(out, key=lambda each: each[:2])]


def slope(points, over):
    """``(per second, worst quality)`` over the points, cells as the text says, or None."""
    cells = []
    for p in points:
        if cells and p.time - cells[-1][0].time < over / CELLS:
            cells[-1].append(p)
        else:
            cells.append([p])
    end = points[-1].time
    cells = [cell for cell in cells if cell[-1].time >= end - over]
    if len(cells) < 3 or cells[-1][-1].time - cells[0][0].time < SPAN * over:
        return None
    flat = [(p.time - end, p.value) for p in (p for cell in cells for p in cell)]
    means = [
        (len(cell), math.fsum(p.time - end for p in cell) / len(cell), math.fsum(p.value for p in cell) / len(cell))
        for cell in cells
    ]
    n = len(flat)
    t_mean = math.fsum(w * t for w, t, _ in means) / n
    v_mean = math.fsum(w * v for w, _, v in means) / n
    below = math.fsum(w * (t - t_mean) ** 2 for w, t, _ in means)
    above = math.fsum(w * (t - t_mean) * (v - v_mean) for w, t, v in means)
    worst = "uncertain" if any(p.quality == "uncertain" for cell in cells for p in cell) else "good"
    return above / below, worst
