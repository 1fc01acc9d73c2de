"""A kill between two snapshots, as the service keeps the core: nothing is told twice, nothing is lost that lies in no told gap."""

import json

import msgspec
import pytest

from metrepost.assembly import assemble
from metrepost.events import Event, RollupOut
from metrepost.readings import BAD, Reading, Tick
from metrepost_sim.direct import DirectLine
from metrepost_sim.scenarios import bars, demo
from support_bars import bars_line


@pytest.fixture(scope="module")
def line():
    return bars_line()


def plain(value):
    return msgspec.json.decode(msgspec.json.encode(value))


class Kept:
    """What the journal would hold: a commit at each tick, a whole snapshot every 10 s."""

    def __init__(self):
        self.snapshot, self.place, self.told, self.since = {}, None, {}, []
        self.rows, self.next = [], 0.0

    def commit(self, core, outputs, now):
        rows = [o for o in outputs if isinstance(o, Event | RollupOut)]
        self.rows += rows
        self.since += rows
        self.place = plain(core.place())
        if now >= self.next:
            self.snapshot, self.told, self.since, self.next = plain(core.snapshot()), {}, [], now + 10.0
        else:
            self.told |= plain(core.told())
        core.kept()

    def restart(self, line):
        core = assemble(line)
        assert core.restore(self.snapshot, self.place, self.told) == []
        for row in sorted(self.since, key=lambda r: isinstance(r, Event)):
            self.rows += core.replay(row.data, row.time)
        return core


def killed(line, items, kills, down):
    """The rows of a run with kills at moments (s); what comes in while the daemon is down, and what was not committed, is lost."""
    start = items[0].time
    core, kept, pending = assemble(line), Kept(), []
    kills, up = list(kills), 0.0
    present = {}
    for item in items:
        now = item.time - start
        if kills and now >= kills[0]:
            up, pending = kills.pop(0) + down, []
            core = kept.restart(line)
        if isinstance(item, Reading) and item.tag.partition(".")[0] in ("take-up", "accumulator"):
            present[item.tag] = item
        if now < up:
            continue
        if up and now >= up:
            for reading in present.values():  # a subscription begins with the present values
                pending += core.feed(msgspec.structs.replace(reading, time=item.time))
            up = 0.0
        pending += core.feed(item)
        if isinstance(item, Tick):
            kept.commit(core, pending, now)
            pending = []
    return kept.rows


def data(rows, kind):
    return [r.data for r in rows if isinstance(r, Event) and r.data.kind == kind]


@pytest.mark.parametrize("down", [1.0, 4.0])
def test_flaws_are_told_once_or_lie_in_a_told_gap(line, down):
    items = list(DirectLine(bars(3, speed=79.0, lumps=60, drops_per_lump=0.2)).inputs(130.0))
    kills = [71.03, 76.66, 83.21, 91.47, 97.9, 104.35, 109.6, 117.02, 121.55]
    whole, cut = killed(line, items, [], 0.0), killed(line, items, kills, down)
    gaps = [(s.start, s.end) for s in data(cut, "stretch") if s.mark == "gap" and s.station == "cold-gauge"]
    assert len(gaps) >= 4 and all(end is not None for _, end in gaps)
    flaws = [f for f in data(cut, "flaw") if f.station == "cold-gauge"]
    expected = [f for f in data(whole, "flaw") if f.station == "cold-gauge"]
    assert len(expected) >= 15
    in_gap = 0
    for flaw in expected:
        same = [f for f in flaws if f.rule == flaw.rule and f.start <= flaw.end + 0.02 and f.end >= flaw.start - 0.02]
        if any(a <= flaw.end + 0.1 and b >= flaw.start - 0.1 for a, b in gaps):
            in_gap += 1
            continue
        assert len(same) == 1, (flaw, same, gaps)
    assert 0 < in_gap < len(expected) - 5


def test_spark_faults_and_cuts_are_told_once_whatever_the_kill(line):
    items = list(DirectLine(demo(2, duration=200.0)).inputs(75.0))
    whole = killed(line, items, [], 0.0)
    sparks, cuts = data(whole, "spark"), data(whole, "cut")
    assert sparks and len(cuts) == 1
    start = items[0].time
    moments = [e.time - start for e in whole if isinstance(e, Event) and e.data.kind in ("spark", "cut")]
    for moment in moments:
        for after in (-0.05, 0.95):
            cut = killed(line, items, [moment + after, moment + after + 2.0], 0.3)
            assert sum(s.faults for s in data(cut, "spark")) == sum(s.faults for s in sparks)
            assert len(data(cut, "cut")) == 1


def test_no_rollup_bucket_is_told_twice(line):
    items = list(DirectLine(demo(2, duration=200.0)).inputs(75.0))
    rows = killed(line, items, [12.3, 19.7, 28.8, 41.2, 55.9, 63.3], 0.5)
    seen = set()
    for rollup in (r for r in rows if isinstance(r, RollupOut)):
        timed = rollup.data.span in ("10s", "1min")
        key = (rollup.data.tag, rollup.data.span, rollup.time if timed else rollup.data.start)
        assert key not in seen
        seen.add(key)
    assert len(seen) > 20


def test_what_is_kept_with_an_event_is_small(line):
    core = assemble(line)
    largest = 0
    for item in DirectLine(bars(3, speed=79.0, lumps=60)).inputs(100.0):
        if core.feed(item) and core.told():
            largest = max(largest, *(len(json.dumps(plain(state))) for state in core.told().values()))
            core.kept()
    assert 0 < largest < 20_000


def test_an_endpoint_that_goes_away_leaves_a_told_gap(line):
    out, core = [], assemble(line)
    items = list(DirectLine(demo(2, duration=200.0)).inputs(40.0))
    start = items[0].time
    for item in items:
        if isinstance(item, Reading) and item.tag.startswith("cold-gauge.") and 20.0 < item.time - start < 22.0:
            item = Reading(item.tag, item.time, float("nan"), BAD, "timeout")
        out += core.feed(item)
    (gap,) = [s for s in data(out, "stretch") if s.mark == "gap"]
    assert gap.station == "cold-gauge" and "timeout" in gap.explanation
    assert gap.end - gap.start == pytest.approx(2.0 * 104.0 / 60.0, abs=0.3)
