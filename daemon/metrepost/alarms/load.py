"""Alarm-load figures per class: is this still a number of alarms that a person can answer?

All windows are *rolling* (the last 10 minutes up to now), not aligned to the clock; the two give different counts. What is counted
is annunciations: transitions ``raised`` of alarms that are not on trial. Shelved, suppressed and out-of-service alarms tell no
``raised`` and so do not count. Targets and screening rules: ISA-18.2 / IEC 62682 and EEMUA 191 (from memory, but for the one
alarm in 10 minutes, which HSE Chemicals Sheet No 6 quotes from EEMUA 191 as very likely acceptable).
"""

from collections import Counter, deque
from collections.abc import Mapping
from typing import Any, Literal, get_args

import msgspec

from ..events import AlarmEvent, Class, Event, LoadEvent
from ..readings.moment import rfc3339

TEN_MINUTES = 600.0
HOUR = 3600.0
DAY = 86400.0
CLASSES: tuple[Class, ...] = ("product", "equipment", "process", "system")


class LoadSettings(msgspec.Struct, frozen=True, kw_only=True):
    """Thresholds. A flood begins above `flood_above` alarms in any 10 minutes and ends below `flood_ends_below`.

    `chatter` raisings of one alarm within `chatter_within` seconds are chattering; active for longer than `stale_after` seconds
    is stale. Up to `acceptable` alarms per 10 minutes on average are acceptable, up to `manageable` manageable. `remember`
    bounds the memory per class: older annunciations than that many go uncounted, and `uncounted` says how many.
    """

    flood_above: int = 10
    flood_ends_below: int = 5
    chatter: int = 3
    chatter_within: float = 60.0
    stale_after: float = DAY
    acceptable: float = 1.0
    manageable: float = 2.0
    most_frequent: int = 10
    remember: int = 5_000


class Count(msgspec.Struct, frozen=True):
    """How often one alarm was raised in the last day."""

    alarm: str
    count: int


class ClassLoad(msgspec.Struct, frozen=True, kw_only=True):
    """The figures of one class, over rolling windows that end now.

    `average_10_min`: alarms per 10 minutes over the last day, or over the time watched when that is shorter (at least 10 minutes).
    `most_in_10_min`: the fullest 10 minutes within the last day. `priorities`: annunciations of the last day by priority.
    """

    last_10_min: int
    last_hour: int
    last_day: int
    average_10_min: float
    rate: Literal["acceptable", "manageable", "too_high"]
    most_in_10_min: int
    flood: bool
    floods: int
    chattering: list[str]
    stale: list[str]
    most_frequent: list[Count]
    priorities: dict[str, int]
    uncounted: int


class AlarmLoad(msgspec.Struct, frozen=True, kw_only=True):
    """Payload of the retained topic ``load``. `windows` says that they are rolling; `watched` is seconds since counting began."""

    at: str
    watched: float
    windows: Literal["rolling"] = "rolling"
    classes: dict[str, ClassLoad]


class _Raised(msgspec.Struct, frozen=True, array_like=True):
    time: float
    alarm: str
    priority: str


class _ClassMeter(msgspec.Struct):
    """What is remembered of one class; also the form in the snapshot."""

    day: deque[_Raised] = msgspec.field(default_factory=deque)
    recent: deque[float] = msgspec.field(default_factory=deque)  # times within the last 10 minutes
    peaks: deque[tuple[float, int]] = msgspec.field(default_factory=deque)  # falling counts: the first is the most of the day
    lately: dict[str, list[float]] = {}  # last raisings of each alarm, for chattering
    chattered: dict[str, float] = {}  # alarm to when it last chattered
    since: dict[str, float] = {}  # active alarm to when it was raised
    flood: bool = False
    floods: int = 0
    uncounted: int = 0


def _deque(kind: Any, items: Any) -> Any:
    """Deques, which msgspec does not know, travel as lists."""
    return deque(msgspec.convert(items, list[get_args(kind)[0]]))  # type: ignore[misc]


class LoadMeter:
    """Counts annunciations. Memory is bounded by `LoadSettings.remember` and by the number of alarms."""

    def __init__(self, settings: LoadSettings | None = None) -> None:
        self._set = settings or LoadSettings()
        self._classes: dict[str, _ClassMeter] = {name: _ClassMeter() for name in CLASSES}
        self._began: float | None = None

    def note(self, event: AlarmEvent, time: float) -> None:
        """A transition was told at line time `time` (the decision, when a person hears of it)."""
        if event.trial:
            return
        self._begin(time)
        meter = self._classes[event.class_]
        if event.state in ("unacknowledged", "acknowledged"):
            meter.since.setdefault(event.alarm, time)
        else:
            meter.since.pop(event.alarm, None)
        if event.transition != "raised":
            return
        self._expire(meter, time)
        if len(meter.day) >= self._set.remember:
            meter.day.popleft()
            meter.uncounted += 1
        meter.day.append(_Raised(time, event.alarm, event.priority))
        # a longer memory of the last 10 minutes than flood and display can use is not needed
        if len(meter.recent) >= self._set.remember:
            meter.recent.popleft()
        meter.recent.append(time)
        count = len(meter.recent)
        while meter.peaks and meter.peaks[-1][1] <= count:
            meter.peaks.pop()
        meter.peaks.append((time, count))
        times = meter.lately.setdefault(event.alarm, [])
        times.append(time)
        del times[: -self._set.chatter]
        if len(times) >= self._set.chatter and time - times[0] <= self._set.chatter_within:
            meter.chattered[event.alarm] = time

    def tick(self, now: float) -> list[Event]:
        """Floods that began or ended by now."""
        self._begin(now)
        out: list[Event] = []
        for name, meter in self._classes.items():
            if not meter.recent and not meter.flood:
                continue
            self._expire(meter, now)
            count = len(meter.recent)
            if not meter.flood and count > self._set.flood_above:
                meter.flood = True
                meter.floods += 1
                out.append(self._flood(name, now, count, f"more than {self._set.flood_above} alarms in the last 10 minutes"))
            elif meter.flood and count < self._set.flood_ends_below:
                meter.flood = False
                out.append(
                    self._flood(name, now, count, f"fewer than {self._set.flood_ends_below} alarms in the last 10 minutes")
                )
        return out

    def figures(self, now: float) -> AlarmLoad:
        """The figures as of `now`."""
        self._begin(now)
        watched = max(0.0, now - self._began) if self._began is not None else 0.0
        classes = {name: self._class_load(meter, now, watched) for name, meter in self._classes.items()}
        return AlarmLoad(at=rfc3339(now), watched=watched, classes=classes)

    def snapshot(self) -> dict[str, Any]:
        """All counts as JSON-able data."""
        return {"format": 1, "began": self._began, "classes": msgspec.to_builtins(self._classes, enc_hook=list)}

    def restore(self, state: Mapping[str, Any]) -> bool:
        """Take back a snapshot. False, and counting begins anew, when it does not fit."""
        try:
            classes = msgspec.convert(state.get("classes", {}), dict[str, _ClassMeter], dec_hook=_deque)
            began = msgspec.convert(state.get("began"), float | None)
        except (msgspec.ValidationError, TypeError):
            return False
        self._classes.update({name: meter for name, meter in classes.items() if name in self._classes})
        self._began = began
        return True

    def _begin(self, time: float) -> None:
        if self._began is None:
            self._began = time

    def _expire(self, meter: _ClassMeter, now: float) -> None:
        while meter.recent and meter.recent[0] <= now - TEN_MINUTES:
            meter.recent.popleft()
        while meter.day and meter.day[0].time <= now - DAY:
            meter.day.popleft()
        while meter.peaks and meter.peaks[0][0] <= now - DAY:
            meter.peaks.popleft()

    def _flood(self, name: str, now: float, count: int, why: str) -> Event:
        meter = self._classes[name]
        class_ = msgspec.convert(name, Class)
        return Event(now, LoadEvent(class_=class_, began=meter.flood, alarms=count, decided=rfc3339(now), explanation=why))

    def _class_load(self, meter: _ClassMeter, now: float, watched: float) -> ClassLoad:
        self._expire(meter, now)
        for alarm in [alarm for alarm, when in meter.chattered.items() if when <= now - DAY]:
            del meter.chattered[alarm]
        average = len(meter.day) / (min(max(watched, TEN_MINUTES), DAY) / TEN_MINUTES)
        frequent = Counter(raised.alarm for raised in meter.day).most_common(self._set.most_frequent)
        within = average <= self._set.manageable
        return ClassLoad(
            last_10_min=len(meter.recent),
            last_hour=sum(1 for raised in meter.day if raised.time > now - HOUR),
            last_day=len(meter.day),
            average_10_min=average,
            rate="acceptable" if average <= self._set.acceptable else "manageable" if within else "too_high",
            most_in_10_min=max((count for _, count in meter.peaks), default=0),
            flood=meter.flood,
            floods=meter.floods,
            chattering=sorted(meter.chattered),
            stale=sorted(alarm for alarm, when in meter.since.items() if now - when > self._set.stale_after),
            most_frequent=[Count(alarm, count) for alarm, count in frequent],
            priorities=dict(Counter(raised.priority for raised in meter.day)),
            uncounted=meter.uncounted,
        )
