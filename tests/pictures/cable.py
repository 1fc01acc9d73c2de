"""Pictures of the kinds that look along the cable: `drift`, `periodic`, `disagree`, `untested`."""

import math
import random

import numpy as np
from chart import Axis
from levels import METRE, tell
from picture import Picture
from small_line import READ, SPEED, Row, run, spells

from metrepost.events import StretchEvent
from metrepost.rules.charts import Ewma
from metrepost.rules.contract import Condition, Told
from metrepost.rules.engine import Engine


def drift() -> Picture:
    """Subgroup means, what is learned, the chart, and where the band will break."""
    rule = {
        "kind": "drift", "class": "process", "reads": "cold-gauge.diameter", "subgroup": "10 m", "learn": "300 m", "method": "ewma",
        "limits": "product.dielectric", "least": "4 um", "up": {}, "down": {},
    }  # fmt: skip
    dice = random.Random(1)
    rows = []
    for i in range(1, 1901):
        x = 0.5 * i
        rows.append(Row(x / SPEED, x, "cold-gauge.diameter", 4.805 + max(0.0, x - 480) * 0.0001 + dice.gauss(0, 0.009)))
    learned: list[float] = []
    levels: dict[float, float] = {}

    def look(engine: Engine, row: Row) -> None:
        state = engine.rules[0].rule.snapshot()
        if state["charts"] and row.metre % 10 == 0:
            learned[:] = state["learned"]
            levels[row.metre] = state["charts"]["ewma"][0]

    said = run({"diameter-drift": rule}, rows, each=look)
    first = next(s for s in said if isinstance(s.finding, Condition) and s.finding.active)
    assert isinstance(first.finding, Condition)
    mean, sigma, correlation, taught_by = learned
    sigma *= math.sqrt((1 + correlation) / (1 - correlation))
    bound = mean + sigma * Ewma(0.2, 4.0, 2.0 / math.sqrt(taught_by)).bound
    chart = [(x, mean + level * sigma) for x, level in levels.items()]
    assert next(x for x, level in chart if level > bound) <= first.metre
    means = [(10.0 * k + 5, float(np.mean([r.value for r in rows if 10 * k <= r.metre < 10 * k + 10]))) for k in range(95)]
    reaches = first.finding.data["reaches"]
    at, soonest, latest = reaches["metre"], first.metre + reaches["soonest"], first.metre + reaches["latest"]
    picture = Picture(
        "drift", "drift: the mean leaves where it was, long before the band is broken",
        ["means over 10 m · mean and sigma learned over 300 m · EWMA chart · limits: product.dielectric",
         "dots: the means · line: their EWMA"],
        "Means over 10 m of cable, a dot each. From the first 300 m mean and sigma are learned. After 480 m the "
        "diameter creeps up; the "
        "moving average of the chart crosses its control limit and the alarm is raised long before the band is "
        "broken. A dashed line and "
        "a 95 % range show at which metre, by what the rule knows at the alarm, the high limit will be reached.",
    )  # fmt: skip
    axis = Axis(0, 1150, METRE.format("cold gauge"), list(range(0, 1101, 100)))
    p = picture.panel(axis, "diameter, mm", 4.795, 4.868, 220, [4.80, 4.81, 4.82, 4.83, 4.84, 4.85, 4.86])
    p.passed(0, 300)
    p.alarm(first.metre, 950)
    p.dots(means, 2)
    p.trace(chart, "other", thick=2.2)
    p.limit(4.85, "band broken at 4.850")
    p.limit(bound, "control limit", "limit")
    p.limit(mean, "learned mean", "target")
    p.call(first.finding.metre or 0.0, "onset", f"onset {first.finding.metre:.0f} m")
    p.call(first.metre, "decided", f"alarm {first.metre:.0f} m")
    p.call(at, "foretold", f"foretold {at:.0f} m")
    p.trace([(first.metre, 4.85 - reaches["slope"] * reaches["ahead"]), (at, 4.85)], "dim", thick=1.6, dash="3 3")
    p.span(soonest, latest, 4.8545, "")
    p.text((soonest + latest) / 2, 4.860, f"95 %: {soonest:.0f} to {latest:.0f} m")
    picture.words |= {"pass": "learning, not judged"}
    lane = picture.lane(axis, "alarm")
    lane.box(first.metre, 950, "diameter-drift.up")
    lane.words(956, "trace ends")
    return picture


def periodic() -> Picture:
    """A wheel that prints its turn."""
    rule = {
        "kind": "periodic", "class": "product", "reads": "cold-gauge.diameter", "over": "40 m", "step": "10 m", "shortest": "50 mm",
        "longest": "5 m", "amplitude": "6 um", "false_alarm": 0.01, "parts": {"haul-off": {"circumference": "1.571 m"}},
    }  # fmt: skip
    dice = random.Random(12)
    rows = []
    for i in range(1, int(110 / READ)):
        x = i * READ
        wave = 0.008 * math.cos(2 * math.pi * x / 1.571) if x < 52 else 0.0
        rows.append(Row(x / SPEED, x, "cold-gauge.diameter", 4.80 + wave + dice.gauss(0, 0.005)))
    said = run({"diameter-period": rule}, rows)
    raised, returned = (s for s in said if isinstance(s.finding, Condition))
    found = raised.finding
    assert isinstance(found, Condition)
    (line,) = found.data["lines"]
    start, end = found.start or 0.0, found.end or 0.0
    picture = Picture(
        "periodic", "periodic: something prints a period",
        ["window 40 m, looked at anew every 10 m · raised above 6 µm · parts: haul-off, circumference 1.571 m"],
        "Above, 6 m of the first window: the diameter waves by 8 micrometres in noise of 5. Beneath, the amplitude "
        "over the period for the "
        "whole window of 40 m: one line stands above the limit of 6 micrometres, at 1.571 m, and is named after the "
        "haul-off, whose "
        "circumference it fits. At the bottom, the alarm stands from the first window that shows it until one that no "
        "longer does.",
    )  # fmt: skip
    near = Axis(34, 40, "metre of cable at the cold gauge, m (the last 6 m of the window)", list(range(34, 41)))
    p = picture.panel(near, "diameter, mm", 4.775, 4.825, 95, [4.78, 4.80, 4.82])
    p.trace([(r.metre, r.value) for r in rows if 34 <= r.metre <= 40], thick=1.1)
    crest = math.ceil(34 / 1.571 + 1) * 1.571
    p.span(crest, crest + 1.571, 4.822, "1.571 m")
    metres = np.array([r.metre for r in rows if start <= r.metre <= end])
    values = np.array([r.value for r in rows if start <= r.metre <= end])
    weights = np.hanning(len(metres))
    weighed = (values - values.mean()) * weights
    periods = [1 / f for f in np.arange(1 / 5, 1 / 0.1, 1 / 160)]
    spectrum = [
        (each, 2000 * float(abs(np.sum(weighed * np.exp(-2j * np.pi * metres / each))) / weights.sum())) for each in periods
    ]
    kept = [max(spectrum[i : i + 3], key=lambda v: v[1]) for i in range(0, len(spectrum), 3)]
    axis = Axis(0.1, 5, "period, m", [0.1, 0.2, 0.5, 1, 2, 5], log=True)
    q = picture.panel(axis, f"amplitude over the window from {start:.0f} to {end:.0f} m, µm", 0, 10, 120, [0, 2, 4, 6, 8])
    q.trace(kept, "other", thick=1.5)
    q.limit(6, "amplitude 6 µm")
    size = f"{1000 * line['amplitude']:.1f} ± {1000 * line['error']:.1f} µm"
    q.text(0.92 * line["period"], 8.2, f"{line['period']:.3f} m, {size}: {line['part']}", "end", 4)
    whole = Axis(0, 110, METRE.format("cold gauge"))
    picture.lane(whole, "window").dimension(start, end, "the one above")
    picture.lane(whole, "window").dimension(returned.metre - 40, returned.metre, "too little left of it")
    lane = picture.lane(whole, "alarm")
    lane.box(raised.metre, returned.metre, "diameter-period.line")
    return picture


def disagree() -> Picture:
    """The same metres as two stations see them."""
    rule = {
        "kind": "disagree", "class": "system", "reads": "cold-gauge.diameter", "against": "hot-gauge.diameter", "over": "1 m",
        "tolerance": "0.02 mm", "learn": "20 m", "on_delay": "5 m", "off_delay": "5 m",
    }  # fmt: skip
    dice = random.Random(13)
    hot, cold = [], []
    for i in range(1, 901):
        x = 0.1 * i
        size = 4.80 + 0.025 * math.sin(x / 9)
        off = 0.034 if 45 <= x < 66 else 0.033 if 30 <= x < 33 else 0.0
        hot.append(Row(x / SPEED, x, "hot-gauge.diameter", size / 0.98 + dice.gauss(0, 0.004)))
        cold.append(Row(x / SPEED + 60 / SPEED, x, "cold-gauge.diameter", size + off + dice.gauss(0, 0.004)))
    ratio: list[float] = []

    def look(engine: Engine, _row: Row) -> None:
        ratio[:] = [engine.rules[0].rule.snapshot()["learned"][0] or 0.0]

    said = run({"gauges-disagree": rule}, [*hot, *cold], each=look)
    (spell,) = spells(said, "gauges-disagree", "apart")
    picture = Picture(
        "disagree", "disagree: two stations, one metre",
        ["means over 1 m · shrink learned over 20 m · tolerance 0.02 mm · on-delay 5 m · off-delay 5 m"],
        "Two plots over the same metres of cable. Above, the hot gauge upstream. Beneath, the cold gauge and, as a "
        "band, what the hot gauge "
        "times the learned ratio leads to expect, plus and minus the tolerance. A real change of diameter moves both "
        "and says nothing; when the "
        "cold gauge alone leaves the band for 5 m, the alarm is raised.",
    )  # fmt: skip
    axis = Axis(0, 90, "metre of cable, the same for both gauges, m")
    p = picture.panel(axis, "hot gauge, mm (upstream)", 4.86, 4.94, 70, [4.86, 4.90, 4.94])
    hots, colds = _means(hot), _means(cold)
    p.trace(hots, "other")
    q = picture.panel(axis, "cold gauge, mm", 4.75, 4.87, 150, [4.76, 4.80, 4.84])
    q.passed(0, 20)
    picture.words["pass"] = "learning the ratio"
    expected = [(x, v * ratio[0]) for x, v in hots]
    q.trace(expected, "target", f"hot × {ratio[0]:.3f}", dash="8 3 2 3")
    q.trace([(x, v + 0.02) for x, v in expected], "limit", "+ 0.02 mm", dash="7 4")
    q.trace([(x, v - 0.02) for x, v in expected], "limit", "− 0.02 mm", dash="7 4")
    q.trace(colds, thick=2.2)
    p.call(30, "quiet", "too short")
    lane = picture.lane(axis, "delays")
    lane.dimension(30, 33, "3 m")
    lane.dimension(spell.onset, spell.decided, "5 m + 1 piece")
    lane.dimension(spell.clear, spell.returned, "5 m + 1 piece")
    tell(p, picture.lane(axis, "alarm"), spell, "gauges-disagree.apart")
    q.alarm(spell.decided, spell.returned)
    return picture


def _means(rows: list[Row]) -> list[tuple[float, float]]:
    pieces: dict[int, list[float]] = {}
    for row in rows:
        pieces.setdefault(int(row.metre), []).append(row.value)
    return [(k + 0.5, sum(v) / len(v)) for k, v in pieces.items() if len(v) > 3]


def untested() -> Picture:
    """Too little voltage, then too much speed."""
    rule = {
        "kind": "untested", "class": "product", "voltage": "spark-tester.voltage", "required": "3.0 kV", "electrode": "100 mm",
        "rule": "9-cycles", "frequency": "150 Hz",
    }  # fmt: skip
    dice = random.Random(14)
    rows, t, x = [], 0.0, 0.0
    while x < 40:
        speed = (80 + 35 * min(1.0, max(0.0, (x - 20) / 4)) * min(1.0, max(0.0, (34 - x) / 4))) / 60
        t, x = t + 0.1, x + 0.1 * speed
        volts = 2.4 if 8 <= x < 12 else 3.5
        rows.append(Row(t, x, "spark-tester.voltage", volts + dice.gauss(0, 0.02), speed=speed))
    said = run({"spark-untested": rule}, rows)
    stretches = [s.finding.data for s in said if isinstance(s.finding, Told) and isinstance(s.finding.data, StretchEvent)]
    closed = [s for s in stretches if not s.open]
    told = spells(said, "spark-untested", "untested")
    picture = Picture(
        "untested", "untested: passed the spark tester without a valid test",
        ["required 3.0 kV · rule 9-cycles: 9 cycles of 150 Hz in an electrode of 100 mm allow 100 m/min",
         "the stretch begins at the last metre known to be tested, less the electrode"],
        "Voltage of the spark tester and line speed by metre of cable. Where the voltage is below the required 3.0 "
        "kV, and where the line is faster than "
        "the 100 m/min at which each point still sees nine cycles, the alarm stands and the stretch is written to the "
        "reel record as untested.",
    )  # fmt: skip
    axis = Axis(0, 40, METRE.format("spark tester"))
    p = picture.panel(axis, "voltage, kV", 1.8, 4.0, 90, [2, 3, 4])
    p.trace([(r.metre, r.value) for r in rows if r.metre <= 40])
    p.limit(3.0, "required 3.0")
    q = picture.panel(axis, "line speed, m/min", 70, 125, 80, [80, 100, 120])
    q.trace([(r.metre, r.speed * 60) for r in rows if r.metre <= 40], "other")
    q.limit(100, "9 cycles: at most 100")
    lane, marked = picture.lane(axis, "alarm"), picture.lane(axis, "stretch")
    for spell, stretch in zip(told, closed, strict=True):
        p.alarm(spell.decided, spell.returned)
        q.alarm(spell.decided, spell.returned)
        p.call(spell.decided, "decided", f"alarm {spell.decided:.1f} m")
        p.call(spell.returned, "returned", f"returned {spell.returned:.1f} m")
        lane.box(spell.decided, spell.returned, "spark-untested.untested" if spell is told[-1] else "")
        marked.box(stretch.start or 0.0, stretch.end or 0.0, f"untested {stretch.start:.1f} to {stretch.end:.1f}", "plain")
    return picture
