"""More than the daemon can take, and a wall clock that somebody sets: nothing grows without bound, nothing is lost silently."""

import asyncio
import itertools
import time

import pytest

from metrepost import clock as clocks
from metrepost import service as services
from metrepost.clock import SystemClock
from metrepost.core import Core
from metrepost.events import AlarmEvent, ClockEvent, Event
from metrepost.readings import GOOD, Act, Measured, Reading
from support_broker import Broker, Recorder
from support_daemon import line_folder
from support_service import NOWHERE, ROOT, running, until


def told(out, kind):
    return [item.data for item in out if isinstance(item, Event) and isinstance(item.data, kind)]


async def test_more_readings_than_the_core_can_take_are_counted_and_acts_survive(tmp_path, monkeypatch):
    monkeypatch.setattr(services, "INBOX", 1000)
    out = []
    async with running(line_folder(tmp_path, NOWHERE, 9), tmp_path / "state", out=out) as service:
        now = service.clock.line_time()
        flood = [Reading("trough.water", now + n * 1e-4, 60.0) for n in range(5000)]
        acts = [Act("note", now, who="mara", text=f"note {n}") for n in range(20)]
        service._deliver(flood[:2500] + acts + flood[2500:])
        assert len(service._inbox) <= 1000 + len(acts)
        await until(lambda: sum("note " in getattr(i.data, "text", "") for i in out if isinstance(i, Event)) == 20)
        figures = service.figures()
        taken = sum(isinstance(i, Measured) and i.tag == "trough.water" and i.quality is GOOD for i in out)
        assert 0 < taken <= 1000
        assert taken + figures.dropped["readings before the core"] == 5000
        assert service._status().dropped["readings before the core"] > 0


async def test_snapshots_that_take_long_come_less_often(tmp_path, monkeypatch):
    """Each takes 0.2 s here and is due every 0.1 s; no more than a tenth of the time is to go into them."""
    monkeypatch.setattr(services, "SNAPSHOT_EVERY", 0.1)
    monkeypatch.setattr(services, "SNAPSHOT_SHARE", 0.1)
    taken = []
    whole = Core.snapshot

    def slow(core):
        taken.append(time.monotonic())
        time.sleep(0.2)  # what it costs, not a wait
        return whole(core)

    monkeypatch.setattr(Core, "snapshot", slow)
    async with running(line_folder(tmp_path, NOWHERE, 9), tmp_path / "state"):
        await until(lambda: len(taken) >= 3)
        gaps = [later - earlier for earlier, later in itertools.pairwise(taken[:3])]
    assert min(gaps) >= 2.0, gaps


async def test_alarms_come_ahead_of_a_backlog_and_every_one_comes(tmp_path):
    """2 000 alarms within a second, behind 20 000 rows that nobody has taken yet."""
    rule = """
[rule.trip-{name}]
kind = "band"
class = "process"
reads = "trough.water"
high = {{ at = "{at} degC", priority = "low", response = "Look." }}
"""
    file = line_folder(tmp_path, NOWHERE, 9)
    rules = file.parent.parent / "rules" / "foam-core.toml"
    rules.write_text("format = 1\n" + "".join(rule.format(name=n, at=61 + n / 1000) for n in range(2000)))
    text = file.read_text()
    file.write_text("\n".join(row for row in text.splitlines() if not row.startswith("stations = ")))
    with Broker(tmp_path / "broker") as broker:
        file.write_text(file.read_text().replace("mqtt://127.0.0.1:9", f"mqtt://127.0.0.1:{broker.port}"))
        broker.stop()
        out = []
        async with running(file, tmp_path / "state", out=out) as service:
            now = service.clock.line_time()
            notes = itertools.count()
            for _ in range(20):
                service._deliver([Act("note", now, who="mara", text=str(next(notes))) for _ in range(1000)])
                await until(lambda: not service._inbox)
            service._deliver([Reading("trough.water", service.clock.line_time() + 0.01, 90.0)])
            await until(lambda: len(told(out, AlarmEvent)) >= 2000)
            await until(lambda: service._journal.positions("event").waiting >= 22_000)
            broker.start()
            with Recorder(broker.port) as seen:
                await seen.until(lambda ms: sum(m.topic.startswith(ROOT + "alarm/trip-") for m in ms) >= 2000, 60)
                late = sum(m.topic.startswith(ROOT + "event/") for m in seen.messages)
                assert late < 20_000, "present states wait for nothing"
                await asyncio.wait_for(service.publisher.drained(), 100)
        assert service.figures().lost == 0


@pytest.mark.parametrize("step", [3600.0, -3600.0])
async def test_a_wall_clock_that_is_set_changes_no_delay_and_raises_no_alarm(tmp_path, monkeypatch, step):
    wall = {"step": 0.0}

    class Set:
        """The module `time`, whose wall clock somebody sets."""

        monotonic = staticmethod(clocks.time.monotonic)
        _real = staticmethod(clocks.time.time)

        @classmethod
        def time(cls):
            return cls._real() + wall["step"]

    monkeypatch.setattr(clocks, "time", Set)
    out = []
    async with running(line_folder(tmp_path, NOWHERE, 9), tmp_path / "state", clock=SystemClock(), out=out) as service:
        begun = service.clock.line_time()
        await until(lambda: len(told(out, AlarmEvent)) >= 3)  # the three endpoints
        before = len(told(out, AlarmEvent))
        wall["step"] = step
        await until(lambda: bool(told(out, ClockEvent)))
        assert told(out, ClockEvent)[0].step == pytest.approx(step, abs=0.5)
        passed = service.clock.monotonic()
        first = service.clock.line_time()
        service._deliver([Act("note", first, who="mara", text="after")])
        await until(lambda: any(getattr(i.data, "text", "") == "after" for i in out if isinstance(i, Event)))
        # line time goes on at its own pace
        assert service.clock.line_time() - first == pytest.approx(service.clock.monotonic() - passed, abs=0.1)
        assert first - begun < 60
        assert len(told(out, AlarmEvent)) == before
        assert len(told(out, ClockEvent)) == 1
