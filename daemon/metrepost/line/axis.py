"""The length axis: which metre of cable stands in front of a station at a moment.

``metre(S, t) = counter(t) + (reference position - position of S)``: a mark has the same metre at every station. The axis goes on
through counter zeros, wraps and jumps; what it could not see with the counter it bridges with speed and says so. A metre once given
is never revised.
"""

from collections import deque
from collections.abc import Mapping
from typing import Any

import msgspec

from ..events import CounterEvent
from ..readings import BAD, Reading
from ..readings.moment import rfc3339
from .plan import AxisPlan

HISTORY = 30.0
"""How long counter samples are kept for readings that come late, seconds."""

SPEED_SHARE = 0.02
"""Share of a bridged length taken as its uncertainty. Common practice for a line's speed display, no source."""

STANDING_LENGTH = 0.5
"""A counter that should have moved by this much (metres) and did not move at all stands."""


class Place(msgspec.Struct, frozen=True, gc=False):
    """A place on the axis: the length that has passed the reference, its half width, both metres; speed in m/s."""

    length: float
    uncertainty: float
    speed: float


class _Sample(msgspec.Struct, frozen=True, gc=False):
    time: float
    length: float
    speed: float
    doubt: float


class LengthAxis:
    """Follows counter and speed readings. Feed `counter` and `speed`; ask `place`.

    The events that a counter reading causes are returned by `counter`; `standing` says whether the counter stands at present.
    """

    def __init__(self, plan: AxisPlan) -> None:
        self.plan = plan
        self.standing = False
        self._samples: deque[_Sample] = deque()
        self._raw: float | None = None
        self._speed = 0.0
        self._speed_time = 0.0
        self._bridged = 0.0  # uncertainty that bridges have left behind, metres
        self._still = 0.0  # what speed says the line moved since the counter last did
        self._reversing = False
        self._breaks: deque[float] = deque(maxlen=256)
        self._resume: tuple[float, float, float, float] | None = None
        # readings of one answer share their time: the place is worked out once for all of them
        self._asked: tuple[float, float] | None = None
        self._answer = Place(0.0, float("inf"), 0.0)

    # ---- input

    def speed(self, reading: Reading) -> None:
        """A reading of the speed tag. Without a counter, speed is integrated."""
        if reading.quality is BAD:
            return
        self._asked = None
        speed = reading.value * self.plan.speed_to_mps
        if abs(speed) > 2 * self.plan.max_speed:
            return
        if not self.plan.counter and self._samples:
            last = self._samples[-1]
            dt = reading.time - last.time
            if dt > 0:
                moved = 0.5 * (last.speed + speed) * dt
                self._bridged += self.plan.registration.share * abs(moved)
                self._push(reading.time, last.length + moved, speed, reading.time_uncertainty * abs(speed))
        elif not self.plan.counter:
            self._push(reading.time, 0.0, speed, 0.0)
        self._speed = speed
        self._speed_time = reading.time

    def counter(self, reading: Reading) -> list[CounterEvent]:
        """A reading of the length counter. Returns what had to be told about it."""
        if reading.quality is BAD:
            return []
        self._asked = None
        plan = self.plan
        raw = reading.value * plan.counter_to_m
        e_now = reading.time_uncertainty * plan.max_speed
        if not self._samples:
            return self._first(reading, raw, e_now)
        last = self._samples[-1]
        dt = reading.time - last.time
        if dt <= 0 or self._raw is None:
            return []
        step = raw - self._raw
        e = last.doubt + e_now
        reach = plan.max_speed * dt + plan.resolution + e
        told: list[CounterEvent] = []
        moved = step
        if -e - 1e-9 <= step <= reach + 1e-9:
            if step > 0:
                self._reversing = False
            if not self.plan.speed:
                self._derive_speed(reading.time, last, step, dt)
        elif -plan.reverse_limit - e <= step < 0:
            if not self._reversing:
                self._reversing = True
                told.append(self._tell("reverse", reading, raw, step, "the line ran backwards within the reverse limit"))
        elif plan.wraps_at > 0 and -e <= step + plan.wraps_at <= reach:
            moved = step + plan.wraps_at
            told.append(self._tell("wrap", reading, raw, moved, f"the counter wrapped at {plan.wraps_at:g} m"))
        else:
            moved = self._speed * dt
            self._bridged += SPEED_SHARE * abs(moved) + plan.resolution
            self._breaks.append(reading.time)
            told.append(
                self._tell(
                    "discontinuity",
                    reading,
                    raw,
                    moved,
                    f"the counter went from {self._raw:.2f} m to {raw:.2f} m in {dt:.3f} s; the metre goes on by speed, {moved:.3f} m",
                )
            )
        moved += self._watch_standing(reading, raw, step, dt, told)
        self._raw = raw
        self._push(reading.time, last.length + moved, self._speed, e_now)
        return told

    def _first(self, reading: Reading, raw: float, e_now: float) -> list[CounterEvent]:
        told: list[CounterEvent] = []
        length = raw
        if self._resume is not None:
            time, was_raw, was_length, was_speed = self._resume
            plan = self.plan
            dt = max(0.0, reading.time - time)
            step = raw - was_raw
            reach = plan.max_speed * dt + plan.resolution + e_now
            if plan.wraps_at > 0 and step < -plan.reverse_limit and step + plan.wraps_at <= reach:
                step += plan.wraps_at
            if -plan.reverse_limit <= step <= reach:
                length = was_length + step
                why = f"the counter moved {step:.2f} m over {dt:.1f} s of downtime: the metre goes on exactly"
            else:
                guess = was_speed * dt
                length = was_length + guess
                # anything between standing still and running at top speed may have happened
                self._bridged += max(guess, plan.max_speed * dt - guess) + plan.resolution
                self._breaks.append(reading.time)
                why = (
                    f"the counter went from {was_raw:.2f} m to {raw:.2f} m over {dt:.1f} s of downtime, which cannot be; "
                    f"the metre goes on by the last speed, uncertain by {self._bridged:.1f} m"
                )
            self._resume = None
            told.append(
                CounterEvent(
                    what="restart",
                    before=was_raw,
                    after=raw,
                    bridged=length - was_length,
                    metre=length,
                    metre_uncertainty=self._bridged,
                    decided=rfc3339(reading.time),
                    explanation=why,
                )
            )
        self._raw = raw
        self._push(reading.time, length, self._speed, e_now)
        return told

    def _derive_speed(self, time: float, last: _Sample, step: float, dt: float) -> None:
        """Speed from the counter over at least half a second, so that its resolution does not show."""
        base = last
        for sample in reversed(self._samples):
            base = sample
            if time - sample.time >= 0.5:
                break
        span = time - base.time
        if span > 0:
            self._speed = (last.length + step - base.length) / span
            self._speed_time = time

    def _watch_standing(self, reading: Reading, raw: float, step: float, dt: float, told: list[CounterEvent]) -> float:
        """Extra length moved: speed stands in while the counter stands."""
        if not self.plan.speed:
            return 0.0
        if step != 0.0:
            self._still = 0.0
            self.standing = False
            return 0.0
        by_speed = self._speed * dt
        self._still += by_speed
        if self.standing:
            self._bridged += abs(by_speed)
            return by_speed
        if abs(self._still) <= max(STANDING_LENGTH, 10 * self.plan.resolution):
            return 0.0
        self.standing = True
        caught_up = self._still
        self._bridged += abs(caught_up)
        self._breaks.append(reading.time)
        told.append(
            self._tell(
                "standing",
                reading,
                raw,
                caught_up,
                f"the counter stands at {raw:.2f} m while speed says {self._speed * 60:.1f} m/min; the metre goes on by speed, uncertain",
            )
        )
        return caught_up

    def _tell(self, what: Any, reading: Reading, raw: float, moved: float, why: str) -> CounterEvent:
        last = self._samples[-1]
        return CounterEvent(
            what=what,
            before=self._raw if self._raw is not None else raw,
            after=raw,
            bridged=moved,
            metre=last.length + moved,
            metre_uncertainty=self._bridged + self.plan.resolution,
            decided=rfc3339(reading.time),
            explanation=why,
        )

    def _push(self, time: float, length: float, speed: float, doubt: float) -> None:
        samples = self._samples
        samples.append(_Sample(time, length, speed, doubt))
        while samples[0].time < time - HISTORY and len(samples) > 2:
            samples.popleft()

    # ---- questions

    @property
    def ready(self) -> bool:
        """Whether the axis knows where it is."""
        return bool(self._samples)

    @property
    def present_speed(self) -> float:
        """Line speed, m/s."""
        return self._speed

    def place(self, time: float, time_uncertainty: float = 0.0) -> Place:
        """Length at the reference at a moment: the last sample carried on with speed, or between two samples for the past."""
        asked = (time, time_uncertainty)
        if asked != self._asked:
            self._answer = self._place(time, time_uncertainty)
            self._asked = asked
        return self._answer

    def _place(self, time: float, time_uncertainty: float) -> Place:
        samples = self._samples
        if not samples:
            return Place(0.0, float("inf"), 0.0)
        last = samples[-1]
        age = time - last.time
        if age < 0.0 and len(samples) > 1:
            later = last
            for sample in reversed(samples):
                if sample.time <= time:
                    span = later.time - sample.time
                    share = (time - sample.time) / span if span > 0 else 0.0
                    length = sample.length + share * (later.length - sample.length)
                    return Place(length, self._doubt(sample, time_uncertainty, 0.0), sample.speed)
                later = sample
            return Place(later.length, self._doubt(later, time_uncertainty, later.time - time), later.speed)
        return Place(last.length + self._speed * age, self._doubt(last, time_uncertainty, abs(age)), self._speed)

    def _doubt(self, sample: _Sample, time_uncertainty: float, age: float) -> float:
        plan = self.plan
        speed = abs(sample.speed)
        far = SPEED_SHARE * speed * age if age < 1.0 else plan.max_speed * (age - 1.0) + SPEED_SHARE * speed
        # doubt of the sample is e = max_speed * time uncertainty; at the present speed it is worth its share
        counter = sample.doubt * (speed / plan.max_speed if plan.max_speed else 0.0)
        return self._bridged + plan.resolution + counter + speed * time_uncertainty + far

    def broken_between(self, first: float, second: float) -> bool:
        """Whether a discontinuity lies between two moments (line time)."""
        return any(first <= at <= second for at in self._breaks)

    # ---- restart

    def snapshot(self) -> dict[str, Any]:
        """Where the axis stands, for a restart."""
        if not self._samples or (self._raw is None and self.plan.counter):
            return {}
        last = self._samples[-1]
        return {
            "time": last.time,
            "raw": self._raw,
            "length": last.length,
            "speed": self._speed,
            "bridged": self._bridged,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot: the first counter reading says whether the metre is exact."""
        if not state:
            return
        self._asked = None
        self._bridged = float(state["bridged"])
        self._speed = float(state["speed"])
        if self.plan.counter:
            self._resume = (float(state["time"]), float(state["raw"]), float(state["length"]), float(state["speed"]))
        else:
            self._push(float(state["time"]), float(state["length"]), 0.0, 0.0)
