"""`bit` worked out anew from the text of `rules/README.md`; nothing of `metrepost.rules` is imported.

0 is clear, anything else set; or one bit of a whole number. A value that has no bits (a fraction, a negative number) is a gap.
"""

from oracle_delays import delayed
from oracle_gates import looks


def bit_transitions(moments, tag, station, *, bit, alarm_when, on, off, holds):
    """``[(word, onset row, decision row), …]`` of limit ``set``."""
    rows = looks(moments, tag, station, holds)
    if bit is not None:
        rows = without_bits_is_a_gap(moments, tag, station, rows)

    def alarming(row):
        is_set = row.value != 0 if bit is None else (int(row.value) // 2**bit) % 2 == 1
        return is_set == alarm_when

    return delayed(rows, alarming, lambda row: not alarming(row), on, off)


def without_bits_is_a_gap(moments, tag, station, rows):
    """Readings that are no whole number are gaps, and do not stand."""
    for row in rows:
        if row.how == "judge" and (row.value < 0 or row.value != int(row.value) or row.value >= 2**53):
            row.how = "gap"
    return rows
