"""A day of a line with 2 000 tags at 1 Hz through the core and into a real journal: memory must stay flat.

    python tests/benchmarks/bars_endurance.py [--hours 24] [--tags 2000] [--seed 1]

The line is the demonstration line with every poll at 1 s, and auxiliary stations (about 50 tags each) up to `--tags`. The shipped rules
watch the first; each auxiliary station has a band, a rate, a stuck and a missing rule, a computed tag, and rollups of two tags. Every
hour brings the same troubles: a stop, an emergency stop, product and reel changes, counter faults, dead gauges, and for each auxiliary
station in turn an excursion, a frozen value and a silence; lumps and necks come all the time. Committed once a second of line time, with
place and snapshots as the daemon does it; everything is delivered at once, and the journal keeps 20 000 rows a stream.

The line is simulated in a process of its own, so that its memory is not counted. Sampled every 5 minutes of line time, after a garbage
collection: resident memory, live memory blocks of the interpreter (`sys.getallocatedblocks`), objects that the collector tracks, size of
the journal's files. Bar: every hour is the same work, so the mean and the peak of resident
memory and of the blocks of each hour stay within 5 % of those of the second hour, to the end (within an hour they swing by a tenth, as
windows fill and are cut with the product). Exit code 1 otherwise. A run of less than three hours is a smoke test: the table is printed
and nothing judged.

It takes as long as it takes: one process at full speed, see `DEVELOPERS.md`, "Measuring".
"""

import argparse
import gc
import multiprocessing
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from rich.console import Console
from rich.table import Table

from metrepost.alarms.load import AlarmLoad
from metrepost.assembly import assemble
from metrepost.configuration.load import load_line
from metrepost.configuration.plan import LoadedLine
from metrepost.configuration.shipped import shipped_config, shipped_rules
from metrepost.core import Core, Output
from metrepost.events import AlarmState, Event, ReelState, RollupOut
from metrepost.journal import Item, Journal, Present, Retention, Snapshot
from metrepost.publish import topics
from metrepost.publish.cloudevents import STREAMS
from metrepost.readings import BAD, GOOD, Input, Reading, Tick
from metrepost_sim.direct import START, DirectLine
from metrepost_sim.line_file import read_line_file
from metrepost_sim.making import profile
from metrepost_sim.scenario import ProductChange, ReelChange, Scenario, Stop
from metrepost_sim.scenarios import bad

EACH = 50
"""Tags of an auxiliary station, about."""
HOUR, SAMPLE = 3600.0, 300.0
FLAT = 0.05
KEEP = 20_000

RULES = """
format = 1
[rule.aux-band]
for_each = { n = WORDS }
kind = "band"
class = "process"
reads = "aux-{n}.v01"
target = "180 degC"
tolerance = "4 degC"
deadband = "1 degC"
on_delay = "10 s"
high = { priority = "low" }
low = { priority = "low" }
[rule.aux-rate]
for_each = { n = WORDS }
kind = "rate"
class = "process"
reads = "aux-{n}.v02"
over = "20 s"
deadband = "5 degC/min"
off_delay = "20 s"
rising = { at = "20 degC/min", priority = "low" }
falling = { at = "20 degC/min", priority = "low" }
[rule.aux-stuck]
for_each = { n = WORDS }
kind = "stuck"
class = "system"
reads = "aux-{n}.v03"
for = "30 s"
priority = "low"
[rule.aux-missing]
for_each = { n = WORDS }
kind = "missing"
class = "system"
reads = "aux-{n}.v04"
for = "10 s"
priority = "low"
"""


def simulated(file: Path) -> Path:
    """The part of a line file that the simulated line makes."""
    return file.with_name("simulated.toml")


def line_file(folder: Path, tags: int) -> Path:
    """The line file, with rules, of so many tags that are read."""
    shutil.copytree(shipped_config(), folder / "config")
    shutil.copytree(shipped_rules(), folder / "rules")
    file = folder / "config" / "core-3.toml"
    text = file.read_text().replace('poll = "20 ms"', 'poll = "1 s"').replace('poll = "100 ms"', 'poll = "1 s"')
    text = text.replace('publish = "100 ms"', 'publish = "1 s"')
    file.write_text(text)
    shutil.copy(file, simulated(file))
    # a since-read piece at 1 Hz is long, and so is what a witness cannot tell from a lump
    shipped = folder / "rules" / "foam-core.toml"
    shipped.write_text(shipped.read_text().replace('max_length = "100 mm"', 'max_length = "4 m"'))
    missing = tags - len(read_line_file(file).tags)
    stations = max(1, round(missing / EACH))
    words = [f"{n:02}" for n in range(1, stations + 1)]
    rolled = "".join(f', "aux-{n}.v01", "aux-{n}.v02"' for n in words)
    text = text.replace('rules = ["foam-core.toml"]', 'rules = ["foam-core.toml", "aux.toml"]')
    text = text.replace('"foam-extruder.pressure"]', f'"foam-extruder.pressure"{rolled}]')
    if text.count("aux") < 3:
        raise ValueError("the shipped line file has other rules or rollups now; mend this script")
    parts = ['\n[endpoint.aux]\nprotocol = "modbus-tcp"\naddress = "127.0.0.1:5029"\nunit_id = 1\npoll = "1 s"\n']
    for k, n in enumerate(words):
        first, end = k * missing // stations, (k + 1) * missing // stations
        parts.append(
            f'\n[station.aux-{n}]\nposition = "{k * 80 // stations} m"\n'
            'defaults = { endpoint = "aux", table = "input", type = "float32", unit = "degC", valid = ["0 degC", "400 degC"] }\n'
            f"[station.aux-{n}.tags]\n"
            + "".join(f"v{i - first + 1:02} = {{ register = {2 * i} }}\n" for i in range(first, end))
            + f'[station.aux-{n}.computed]\nmean = {{ function = "mean", of = ["v05", "v06"] }}\n'
        )
    file.write_text(text + "".join(parts))
    (folder / "rules" / "aux.toml").write_text(RULES.replace("WORDS", str(words).replace("'", '"')))
    return file


def scenario(seed: int, seconds: float, file: Path) -> Scenario:
    """A bad day: what `bad` does in its first half hour, every hour again."""
    base = bad(seed, duration=seconds, file=read_line_file(file))
    at = [h * HOUR for h in range(int(seconds // HOUR) + 1) if h * HOUR + 1700.0 < seconds]
    if not at:
        return base
    stops = tuple(Stop(t + s, t + e, emergency=m) for t in at for s, e, m in ((300.0, 380.0, False), (1150.0, 1230.0, True)))
    return replace(
        base,
        speeds=profile(base.speed, stops, seconds),
        stops=stops,
        counter_faults=tuple(replace(f, at=f.at + t, until=f.until + t) for t in at for f in base.counter_faults),
        products=tuple(ProductChange(t + s, r) for t in at for s, r in ((480.0, 76), (1350.0, 75))),
        disturbances=tuple(replace(d, at=d.at + t) for t in at for d in base.disturbances),
        reel_changes=tuple(ReelChange(t + s) for t in at for s in (150.0, 1400.0)),
        outages=tuple(replace(o, at=o.at + t, until=o.until + t) for t in at for o in base.outages),
    )


def simulate(pipe: Connection, file: str, seed: int, seconds: float) -> None:
    """The process of the line: sends the inputs of each second; the pipe makes it wait."""
    part = simulated(Path(file))
    source = DirectLine(scenario(seed, seconds, part), file=read_line_file(part))
    batch: list[Input] = []
    ticks = 0
    for item in source.inputs(seconds):
        batch.append(item)
        if type(item) is Tick:
            ticks += 1
            if ticks % 10 == 0:
                pipe.send(batch)
                batch = []
    pipe.close()


class Auxiliary:
    """Readings of the auxiliary stations: slow waves, noise, and by turns the hour's three troubles."""

    def __init__(self, line: LoadedLine, seed: int) -> None:
        read = {p.tag for e in line.endpoints if e.name == "aux" for p in e.points}
        by_station: dict[str, list[str]] = {}
        for tag in sorted(read):
            by_station.setdefault(tag.partition(".")[0], []).append(tag)
        self._stations = list(by_station.values())
        self._random = np.random.default_rng(seed)

    def between(self, time: float, tenth: int) -> Iterator[Reading]:
        """What the stations of that tenth of a second deliver."""
        for k in range(tenth, len(self._stations), 10):
            tags = self._stations[k]
            trouble = (time - START - 90.0 * k) % HOUR
            values = 180.0 + np.sin(time / 300.0 + k) + self._random.normal(0.0, 0.2, len(tags))
            if trouble < 60.0:
                values[0] += 8.0
                values[1:2] += trouble
            elif 100.0 < trouble < 160.0:
                values[2:3] = 181.0
            for i, value in enumerate(values.tolist()):
                if i == 3 and 200.0 < trouble < 230.0:
                    yield Reading(tags[i], time, float("nan"), BAD, "timeout")
                else:
                    yield Reading(tags[i], time, value, GOOD, "", 0.005)


class Shell:
    """Commits what the core says, in the order and with the snapshots of the daemon."""

    def __init__(self, core: Core, journal: Journal) -> None:
        self._core = core
        self._journal = journal
        self._commits = 0
        self.rows = 0
        self.alarms = 0

    def commit(self, outputs: list[Output], *, whole: bool) -> None:
        """One second; `whole` with a snapshot of everything."""
        self._commits += 1
        batch: list[Item] = []
        for item in outputs:
            if isinstance(item, Event | RollupOut | AlarmState | ReelState):
                batch.append(item)
                self.alarms += isinstance(item, AlarmState)
            elif isinstance(item, AlarmLoad):
                batch.append(Present(topics.LOAD, item))
        encode = msgspec.json.encode
        batch.append(Snapshot("place", encode(self._core.place())))
        if any(isinstance(item, AlarmState) for item in outputs):
            batch.append(Snapshot("alarms", encode(self._core.alarms.snapshot())))
        if whole:
            batch.append(Snapshot("core", encode({**self._core.snapshot(), "commit": self._commits})))
        else:
            for rule, kept in self._core.told().items():
                batch.append(Snapshot(f"rule {rule}", encode({"commit": self._commits, "state": kept})))
        self.rows += len(self._journal.commit(batch))
        self._core.kept()
        for stream in STREAMS:
            self._journal.delivered(stream, self._journal.positions(stream).last)


def resident() -> float:
    """Resident memory, MB."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


class Samples:
    """The table, and the bar."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, int, float, int, int, float, int]] = []

    def take(self, seconds: float, readings: int, folder: Path, shell: Shell) -> None:
        """Now."""
        gc.collect()
        files = sum(f.stat().st_size for f in folder.rglob("*") if f.is_file()) / 1e6
        row = (seconds, readings, resident(), sys.getallocatedblocks(), len(gc.get_objects()), files, shell.rows)
        self.rows.append(row)
        print(
            f"{seconds / HOUR:6.2f} h  {readings:>11} readings  {row[2]:7.1f} MB  {row[3]:>9} blocks  {row[4]:>8} objects  "
            f"{files:6.1f} MB of journal  {shell.rows} rows",
            flush=True,
        )

    def broken(self) -> list[str]:
        """What is not flat after the first hour, in words."""
        out: list[str] = []
        for column, what in ((2, "resident MB"), (3, "live blocks")):
            hours: dict[int, list[float]] = {}
            for row in self.rows:
                hours.setdefault(int((row[0] - 1.0) // HOUR), []).append(row[column])
            whole = [values for hour, values in sorted(hours.items()) if hour >= 1 and len(values) == HOUR // SAMPLE]
            for name, of in (("mean", statistics.mean), ("peak", max)):
                first, *after = [of(values) for values in whole]
                worst = max((value / first - 1.0 for value in after), key=abs)
                text = f"{what}, {name} of an hour: {first:.1f} in the second hour, at most {worst:+.1%} in {len(after)} hours after it"
                print(text)
                if abs(worst) > FLAT:
                    out.append(text)
        return out

    def table(self, title: str) -> Table:
        """Every hour of it, or every sample of a short run."""
        shown = Table(title=title, title_justify="left")
        for head in ("line time h", "readings", "resident MB", "live blocks", "objects", "journal MB", "rows told"):
            shown.add_column(head, justify="right")
        every = max(1, len(self.rows) // 24)
        for n, row in enumerate(self.rows):
            if n % every == 0 or n == len(self.rows) - 1:
                told = (
                    f"{row[0] / HOUR:.2f}",
                    str(row[1]),
                    f"{row[2]:.1f}",
                    str(row[3]),
                    str(row[4]),
                    f"{row[5]:.1f}",
                    str(row[6]),
                )
                shown.add_row(*told)
        return shown


def run(folder: Path, options: argparse.Namespace) -> tuple[Samples, dict[str, Any]]:
    """The whole day."""
    file = line_file(folder, options.tags)
    line = load_line(file)
    seconds = options.hours * HOUR
    every = min(SAMPLE, seconds / 20.0)
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    simulator = context.Process(target=simulate, args=(theirs, str(file), options.seed, seconds), daemon=True)
    simulator.start()
    theirs.close()
    core, extra, samples = assemble(line), Auxiliary(line, options.seed), Samples()
    readings, spent = 0, 0.0
    now = [START]
    began = time.perf_counter()
    journal = Journal.open(
        folder / "state", "core-3", source=line.plan.source, retention=Retention(keep_rows=KEEP), now=lambda: now[0]
    )
    with closing(journal):
        shell = Shell(core, journal)
        next_sample = every
        for second in range(1, int(seconds) + 1):
            batch: list[Input] = ours.recv()
            outputs: list[Output] = []
            tenth = 0
            working = time.process_time()
            for item in batch:
                outputs += core.feed(item)
                readings += type(item) is Reading
                if type(item) is Tick:
                    for reading in extra.between(item.time, tenth % 10):
                        readings += 1
                        outputs += core.feed(reading)
                    tenth += 1
            now[0] = START + second
            shell.commit(outputs, whole=second % 10 == 0)
            spent += time.process_time() - working
            if second >= next_sample:
                next_sample += every
                samples.take(second, readings, folder / "state", shell)
    simulator.join(60)
    took = time.perf_counter() - began
    return samples, {
        "tags": sum(len(e.points) for e in line.endpoints),
        "rules": len(line.rules),
        "readings": readings,
        "alarms": shell.alarms,
        "cpu": spent,
        "took": took,
    }


def main() -> int:
    """Run, print, judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0, help="line time")
    parser.add_argument("--tags", type=int, default=2000, help="50 and more")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="endurance-") as name:
        samples, told = run(Path(name), options)
    Console(width=120).print(
        samples.table(
            f"{told['tags']} tags, {told['rules']} rules, {options.hours:g} h of line time: {told['readings']} readings and "
            f"{told['alarms']} alarm states in {told['took']:.0f} s ({told['readings'] / told['cpu']:.0f} readings a CPU second)"
        )
    )
    if options.hours < 3.0:
        print("a smoke test: nothing was judged")
        return 0
    broken = samples.broken()
    print("\n".join(f"bar broken: {b}" for b in broken) or "memory is flat")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
