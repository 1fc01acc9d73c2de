"""How fast cable may pass a spark tester so that every point is tested: two published rules that differ.

Nine cycles: every point is in the electrode for at least 9 full cycles (UL 1581 §900, IEC 62230 for AC; from memory), so
v_max = L·f/9. Residence time: EN 50395 / IEC 62230 give times by waveform (AC 0.05 s, from memory), so v_max = L/t; that is the looser one
at mains frequency. Which was used is always told.
"""

CYCLES = 9


def nine_cycles(electrode: float, frequency: float) -> float:
    """v_max in m/s from the electrode's length (m) and the frequency (Hz)."""
    return electrode * frequency / CYCLES


def residence(electrode: float, seconds: float) -> float:
    """v_max in m/s from the electrode's length (m) and the least time in it (s)."""
    return electrode / seconds
