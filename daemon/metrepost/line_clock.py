"""Line time: wall time at start plus monotonic time, slewed towards the wall clock and never stepped.

Pure arithmetic on two clocks that the shell reads; a step of the wall clock is reported, not followed.
"""

SLEW = 500e-6
"""Largest rate at which line time is drawn towards wall time, seconds per second (the usual limit of adjtime)."""

STEP = 0.5
"""A wall clock that moves by more than this against the monotonic clock between two looks has been stepped, seconds."""


class LineClock:
    """Turns monotonic time into line time.

    Call `look(wall, monotonic)` regularly (once a second is plenty); it returns the step in seconds when the wall clock was
    stepped since the last look, else 0.0. `at(monotonic)` gives line time and never goes back.
    """

    def __init__(self, wall: float, monotonic: float) -> None:
        self._offset = wall - monotonic
        self._wall_offset = self._offset
        self._looked = monotonic

    def at(self, monotonic: float) -> float:
        """Line time in seconds since 1970 at a moment of the monotonic clock."""
        return monotonic + self._offset

    def advance(self, seconds: float) -> None:
        """Line time is that much later from here on: at a start, to go on where it was. Drawn back as anything that is off."""
        self._offset += max(0.0, seconds)

    def look(self, wall: float, monotonic: float) -> float:
        """Compare the clocks; slew by at most `SLEW` times the time since the last look."""
        seen = wall - monotonic
        step = seen - self._wall_offset
        if abs(step) > STEP:
            self._wall_offset = seen
        else:
            step = 0.0
            self._wall_offset = seen
        room = SLEW * max(0.0, monotonic - self._looked)
        error = self._wall_offset - self._offset
        # a step that was reported is still an error to be worked off, slowly
        self._offset += max(-room, min(room, error))
        self._looked = monotonic
        return step
