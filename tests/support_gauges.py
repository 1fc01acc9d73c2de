"""Two diameter gauges 60 m apart looking at one cable: readings straight to a flaw rule, for tests of verdicts."""

import random

from metrepost.line.plan import Product, Registration, Station
from metrepost.readings import BAD, GOOD, Hold, Measured, Tag
from metrepost.rules.contract import Condition, Told

HOT, COLD = 1.5, 61.5
REFERENCE = 66.0


class GaugeSite:
    """A `Site` with a hot and a cold gauge, peak-hold and instant registers."""

    def __init__(self, interval=0.02):
        self.stations = {"hot": Station("hot", HOT, 0.001), "cold": Station("cold", COLD, 0.001)}
        self.tags = {}
        for station in self.stations:
            for name, hold in (
                ("x", Hold.INSTANT),
                ("y", Hold.INSTANT),
                ("x_max", Hold.MAX),
                ("y_max", Hold.MAX),
                ("x_min", Hold.MIN),
            ):
                tag = Tag(
                    f"{station}.{name}", station, "mm", "mm", hold, since_read=hold is not Hold.INSTANT, interval=interval
                )
                self.tags[tag.name] = tag
        self.products = {}
        self.registration = Registration()
        self.has_axis = True
        self.max_speed = 5.0
        self.faults = []

    def fail(self, key, wrong, allowed=()):
        self.faults.append((key, wrong))


class GaugeView:
    """A `View` of a line that always produces."""

    def __init__(self):
        self.now = 0.0
        self.speed = 1.0
        self.state = "producing"
        self.breaks = []
        self.metres = {"hot": 0.0, "cold": 0.0}

    def metre_now(self, station):
        return self.metres[station]

    def state_at(self, metre):
        return "producing"

    def product_at(self, metre):
        return Product("K75-480")

    def last(self, tag):
        return None

    def broken_between(self, first, second):
        return any(first <= at <= second for at in self.breaks)

    def active(self, alarm):
        return False

    def reel_at(self, metre):
        return "7"


class TwoGauges:
    """The world: `lumps` are seen by both gauges, `drops` by the cold one; each `(from, to, height)` in metres and mm."""

    def __init__(self, rule, *, speed=80.0, poll=0.02, lumps=(), drops=(), late=(), seed=1, hold="max", noise=0.001):
        self.rule, self.view, self.random = rule, GaugeView(), random.Random(seed)
        self.speed, self.poll, self.noise = speed / 60, poll, noise
        self.hot_sees = list(lumps)
        self.cold_sees = [*lumps, *drops, *late]
        self.hold = hold
        self.length = 1000.0
        self.view.now = 1000.0
        self.findings = []
        self.hot_alive = True
        self.hot_frozen = None
        self.lose = set()  # poll numbers at which the hot gauge's answer is lost
        self.polls = 0

    def _value(self, start, end, seen):
        rise = max((h for a, b, h in seen if a < end and b > start), default=0.0)
        return 4.8 + rise + self.random.gauss(0.0, self.noise)

    def _read(self, station, begin, end, seen, *, bad):
        if self.hold == "instant":
            begin = end
        half = 0.0005
        out = []
        for axis in ("x", "y"):
            value = self._value(begin - half, end + half, seen)
            if station == "hot" and self.hot_frozen is not None:
                value = self.hot_frozen
            name = f"{station}.{axis}" + ("_max" if self.hold == "max" else "")
            out.append(
                Measured(
                    name,
                    self.view.now,
                    float("nan") if bad else value,
                    BAD if bad else GOOD,
                    "timeout" if bad else "",
                    end,
                    begin - half,
                    end + half,
                    0.01,
                    not bad,
                    self.speed,
                )
            )
        return out

    def step(self):
        before = self.length
        self.polls += 1
        self.view.now += self.poll
        self.length += self.speed * self.poll
        self.view.speed = self.speed
        for station, position, seen in (("hot", HOT, self.hot_sees), ("cold", COLD, self.cold_sees)):
            offset = REFERENCE - position
            self.view.metres[station] = self.length + offset
            if station == "hot" and not self.hot_alive:
                continue
            bad = station == "hot" and self.polls in self.lose
            for m in self._read(station, before + offset, self.length + offset, seen, bad=bad):
                judge = self.rule.pass_over if bad else self.rule.judge
                self.findings += judge(m, self.view)
        self.findings += self.rule.tick(self.view)

    def run_to(self, cold_metre):
        """Run until the cold gauge looks at that metre."""
        while self.view.metres["cold"] < cold_metre:
            self.step()
        return self

    @property
    def raised(self):
        return [f for f in self.findings if isinstance(f, Condition) and f.active]

    def told(self, kind):
        return [f.data for f in self.findings if isinstance(f, Told) and f.data.kind == kind]
