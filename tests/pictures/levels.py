"""Pictures of the kinds that watch one value as it goes: `band`, `rate`, `stuck`, `missing`, `bit`, `condition`."""

import math
import random
from itertools import pairwise

from chart import Axis, Lane, Panel
from picture import Picture
from small_line import SPEED, Row, Spell, run, spells

from metrepost.readings import GOOD
from metrepost.readings.units import Extent
from metrepost.rules.rate import Slope
from metrepost.rules.windows import Window

METRE = "metre of cable at the {}, m"


def tell(panel: Panel, lane: Lane, spell: Spell, alarm: str, unit: str = "m", *, onset: str = "onset") -> None:
    """Callouts, shading and the lane's box of one alarm."""
    if spell.onset < spell.decided - 1e-6:
        panel.call(spell.onset, "onset", f"{onset} {spell.onset:.1f} {unit}")
    panel.call(spell.decided, "decided", f"alarm {spell.decided:.1f} {unit}")
    end = spell.returned if math.isfinite(spell.returned) else panel.axis.high
    panel.alarm(spell.decided, end)
    lane.box(spell.decided, end, alarm)
    if math.isfinite(end) and end == spell.returned:
        if spell.clear < spell.returned - 1e-6:
            panel.call(spell.clear, "clear", f"inside {spell.clear:.1f} {unit}")
        panel.call(spell.returned, "returned", f"returned {spell.returned:.1f} {unit}")


def band() -> Picture:
    """The mean over a metre against the product's limits."""
    rule = {
        "kind": "band", "class": "product", "reads": "cold-gauge.diameter", "over": "1 m", "target": "product.dielectric",
        "deadband": "0.01 mm", "on_delay": "2 m", "off_delay": "5 m", "high": {}, "low": {},
    }  # fmt: skip
    dice = random.Random(4)

    def level(x: float) -> float:
        if 6.0 <= x < 7.6:
            return 4.872
        points = [(0, 4.81), (11, 4.815), (14, 4.868), (19, 4.872), (21.5, 4.847), (24.5, 4.845), (26, 4.82), (40, 4.805)]
        a, b = next((p, q) for p, q in pairwise(points) if p[0] <= x <= q[0])
        return a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0])

    rows = [Row(x / SPEED, x, "cold-gauge.diameter", level(x) + dice.gauss(0, 0.008)) for x in (0.1 * i for i in range(1, 380))]
    said = run({"cold-diameter": rule}, rows)
    (high,) = spells(said, "cold-diameter", "high")
    window, means = Window(Extent(metres=1.0)), []
    for row in rows:
        window.add(row.metre, row.value - 4.80)
        mean = window.mean()
        means.append((row.metre, 4.80 + mean[0] if mean is not None else math.nan))
    picture = Picture(
        "band", "band: a level between limits",
        ["mean over 1 m · target 4.80 ± 0.05 mm · deadband 0.01 mm · on-delay 2 m · off-delay 5 m"],
        "Diameter by metre of cable. The mean over one metre goes above the high limit of 4.85 mm twice. The first "
        "time it is back "
        "before the on-delay of 2 m has passed, and nothing is said. The second time it stays: the alarm is decided 2 "
        "m after the "
        "onset. Within the deadband it does not return; it returns when the mean has been below 4.84 mm for the "
        "off-delay of 5 m.",
    )  # fmt: skip
    axis = Axis(0, 38, METRE.format("cold gauge"))
    p = picture.panel(axis, "diameter, mm", 4.74, 4.90, 190)
    p.trace([(r.metre, r.value) for r in rows], "raw", thick=1)
    p.trace(means, thick=2.2)
    p.limit(4.85, "high limit 4.850")
    p.limit(4.80, "target 4.800", "target")
    p.limit(4.75, "low limit 4.750")
    p.band(4.84, 4.85, "deadband 0.010")
    p.text(7.5, 4.775, "thin: each reading")
    p.text(7.5, 4.775, "thick: mean over 1 m", dy=14)
    first = next(x for x, v in means if v > 4.85)
    last = next(x for x, v in means if x > first and v <= 4.85)
    p.call(first, "quiet", "too short")
    lane = Lane(axis, "delays")
    picture.rows.append(lane)
    lane.dimension(first, last, f"{last - first:.1f} m")
    lane.dimension(high.onset, high.decided, "2 m")
    lane.dimension(high.clear, high.returned, "5 m")
    tell(p, picture.lane(axis, "alarm"), high, "cold-diameter.high")
    return picture


def rate() -> Picture:
    """The slope over a window against limits."""
    rule = {
        "kind": "rate", "class": "process", "reads": "foam-extruder.pressure", "over": "20 s", "deadband": "20 bar/min",
        "rising": {"at": "60 bar/min"}, "falling": {"at": "60 bar/min"},
    }  # fmt: skip
    dice = random.Random(3)

    def level(t: float) -> float:
        points = [(0, 150), (30, 151), (42, 155), (70, 196), (85, 203), (120, 204), (160, 180)]
        a, b = next((p, q) for p, q in pairwise(points) if p[0] <= t <= q[0])
        return a[1] + (b[1] - a[1]) * (t - a[0]) / (b[0] - a[0])

    rows = [
        Row(t, t * SPEED, "foam-extruder.pressure", level(t) + dice.gauss(0, 0.7)) for t in (0.5 * i for i in range(1, 300))
    ]
    said = run({"melt-pressure-rate": rule}, rows)
    (rising,) = spells(said, "melt-pressure-rate", "rising", by="time")
    slope, slopes = Slope(20.0), []
    for row in rows:
        slope.add(row.time, row.value, GOOD)
        got = slope.get()
        slopes.append((row.time, got[0] * 60 if got is not None else math.nan))
    picture = Picture(
        "rate", "rate: rising or falling too fast",
        ["slope of the least-squares line through the last 20 s · rising at 60 bar/min · deadband 20 bar/min"],
        "Two plots over time. Above, the melt pressure climbs from 150 to 204 bar. Below, its slope over the last 20 "
        "s goes above "
        "60 bar/min, where the alarm is raised, and it returns when the slope has come down to 40 bar/min, past the "
        "deadband. The "
        "slow fall at the end stays above minus 60 bar/min.",
    )  # fmt: skip
    axis = Axis(0, 150, "time, s")
    p = picture.panel(axis, "melt pressure, bar", 140, 215, 90)
    p.trace([(r.time, r.value) for r in rows])
    at = rising.decided
    seen = [(r.time, r.value) for r in rows if at - 20 <= r.time <= at]
    mean_t, mean_v = sum(t for t, _ in seen) / len(seen), sum(v for _, v in seen) / len(seen)
    b = sum((t - mean_t) * (v - mean_v) for t, v in seen) / sum((t - mean_t) ** 2 for t, _ in seen)
    p.trace([(t, mean_v + b * (t - mean_t)) for t in (at - 20, at)], "limit", thick=2.4)
    p.span(at - 20, at, 145, "20 s looked at")
    q = picture.panel(axis, "slope over 20 s, bar/min", -75, 110, 125, [-60, 0, 60])
    q.trace(slopes)
    q.limit(60, "rising 60")
    q.limit(-60, "falling −60")
    q.band(40, 60, "deadband 20")
    q.band(-60, -40)
    tell(p, picture.lane(axis, "alarm"), rising, "melt-pressure-rate.rising", "s")
    q.alarm(rising.decided, rising.returned)
    return picture


def stuck() -> Picture:
    """A value that repeats itself."""
    rule = {"kind": "stuck", "class": "system", "reads": ["cold-gauge.diameter"], "for": "5 m"}
    dice = random.Random(5)
    rows, value = [], 4.8
    for i in range(1, 181):
        x = 0.1 * i
        if not 4.0 <= x < 4.8 and not 6.5 <= x < 14.0:
            value = round(4.80 + dice.gauss(0, 0.004), 4)
        rows.append(Row(x / SPEED, x, "cold-gauge.diameter", value))
    (spell,) = spells(run({"cold-gauge-stuck": rule}, rows), "cold-gauge-stuck", "stuck")
    picture = Picture(
        "stuck", "stuck: a value that does not move",
        ["for 5 m · tolerance 0"],
        "Diameter by metre of cable, a dot for each reading. The value repeats itself exactly from 6.4 m on. After 5 "
        "m of cable the "
        "alarm is raised, with its onset at the first of the equal readings; it returns with the first reading that "
        "moves. A short "
        "repeat before says nothing.",
    )  # fmt: skip
    axis = Axis(0, 18, METRE.format("cold gauge"), right=36)
    p = picture.panel(axis, "diameter, mm", 4.784, 4.816, 130)
    p.trace([(r.metre, r.value) for r in rows], "raw", thick=1)
    p.dots([(r.metre, r.value) for r in rows], 1.8)
    p.call(4.0, "quiet", "too short")
    lane = picture.lane(axis, "repeats")
    lane.dimension(3.9, 4.8, "")
    lane.dimension(spell.onset, spell.decided, "more than 5 m")
    tell(p, picture.lane(axis, "alarm"), spell, "cold-gauge-stuck.stuck")
    return picture


def missing() -> Picture:
    """Silence, and bad readings, which are silence too."""
    rule = {"kind": "missing", "class": "system", "reads": ["cold-gauge.diameter"], "for": "2 s"}
    dice = random.Random(6)
    rows = []
    for i in range(1, 141):
        t = round(0.1 * i, 1)
        if not (2.0 < t <= 3.2 or 5.0 < t <= 6.4) and i % 2 == 0:
            value = math.nan if 6.4 < t <= 9.0 else 4.80 + dice.gauss(0, 0.004)
            rows.append(Row(t, t * SPEED, "cold-gauge.diameter", value))
        rows.append(Row(t, t * SPEED))
    (spell,) = spells(run({"cold-gauge-missing": rule}, rows), "cold-gauge-missing", "missing", by="time")
    read = [r for r in rows if r.tag]
    picture = Picture(
        "missing", "missing: silence",
        ["for 2 s · a reading of bad quality (×) is silence with a reason"],
        "Readings over time, a dot for each. After the last good one at 5 s come none, then readings of bad quality. "
        "The alarm is "
        "raised more than 2 s after the last good reading and returns with the first good one. A silence of 1.4 s "
        "before says nothing.",
    )  # fmt: skip
    axis = Axis(0, 14, "time, s", right=36)
    p = picture.panel(axis, "diameter, mm", 4.78, 4.82, 110)
    p.dots([(r.time, r.value) for r in read if r.value == r.value])
    p.crosses([(r.time, 4.80) for r in read if r.value != r.value])
    p.text(7.7, 4.80, "bad, reason: timeout", dy=22)
    p.call(2.0, "quiet", "too short")
    lane = picture.lane(axis, "silence")
    lane.dimension(2.0, 3.2 + 0.2, "1.4 s")
    lane.dimension(spell.onset, spell.decided, "more than 2 s")
    tell(p, picture.lane(axis, "alarm"), spell, "cold-gauge-missing.missing", "s", onset="last good")
    return picture


def bit() -> Picture:
    """A switch that is off when it should be on."""
    rule = {
        "kind": "bit", "class": "equipment", "reads": "spark-tester.voltage_on", "alarm_when": False, "on_delay": "1 s",
        "off_delay": "2 s",
    }  # fmt: skip
    off = ((2.0, 2.6), (5.0, 8.0), (8.8, 9.2))
    rows = [
        Row(t, t * SPEED, "spark-tester.voltage_on", 0.0 if any(a <= t < b for a, b in off) else 1.0)
        for t in (round(0.1 * i, 1) for i in range(1, 141))
    ]
    (spell,) = spells(run({"spark-off": rule}, rows), "spark-off", "set", by="time")
    picture = Picture(
        "bit", "bit: a switch that is not as it should be",
        ["alarm_when = false · on-delay 1 s · off-delay 2 s"],
        "A switch over time. It goes off for 0.6 s, which is shorter than the on-delay and says nothing; then it "
        "stays off and the "
        "alarm is raised after 1 s. A short on does not end it: it returns when the switch has been on for 2 s.",
    )  # fmt: skip
    axis = Axis(0, 14, "time, s", right=36)
    p = picture.panel(axis, "high voltage on (spark-tester.voltage_on)", -0.25, 1.25, 80, [0, 1], ["0 (off)", "1 (on)"])
    p.trace([(r.time, r.value) for r in rows], step=True, thick=2)
    p.call(2.0, "quiet", "too short")
    lane = picture.lane(axis, "delays")
    lane.dimension(2.0, 2.6, "0.6 s")
    lane.dimension(spell.onset, spell.decided, "1 s")
    lane.dimension(spell.clear, spell.returned, "2 s")
    tell(p, picture.lane(axis, "alarm"), spell, "spark-off.set", "s")
    return picture


def condition() -> Picture:
    """An expression over two tags."""
    rule = {
        "kind": "condition", "class": "process", "on_delay": "10 s",
        "expression": 'value["foam-extruder.nitrogen"] > 50.0 && value["foam-extruder.pressure"] < 80.0',
    }  # fmt: skip
    dice = random.Random(8)
    rows: list[Row] = []
    for i in range(1, 141):
        t = 0.5 * i
        pressure = 110 - 45 * _bump(t, 8, 12, 3) - 42 * _bump(t, 28, 50, 4)
        gas = 62 - 40 * _bump(t, 57, 80, 2)
        rows.append(Row(t, t * SPEED, "foam-extruder.nitrogen", gas + dice.gauss(0, 0.6)))
        rows.append(Row(t, t * SPEED, "foam-extruder.pressure", pressure + dice.gauss(0, 0.8)))
    (spell,) = spells(run({"gas-without-pressure": rule}, rows), "gas-without-pressure", "true", by="time")
    picture = Picture(
        "condition", "condition: an expression",
        ['value["foam-extruder.nitrogen"] > 50.0 && value["foam-extruder.pressure"] < 80.0', "on-delay 10 s"],
        "Nitrogen flow and melt pressure over time, and beneath them when the expression is true: nitrogen above 50 "
        "g/min while the "
        "pressure is below 80 bar. The first time lasts less than the on-delay of 10 s and says nothing; the second raises the "
        "alarm, which returns as soon as the expression is false.",
    )  # fmt: skip
    axis = Axis(0, 70, "time, s")
    nitrogen = [(r.time, r.value) for r in rows if r.tag.endswith("nitrogen")]
    pressure_ = [(r.time, r.value) for r in rows if r.tag.endswith("pressure")]
    p = picture.panel(axis, "nitrogen, g/min", 10, 75, 70, [20, 50])
    p.trace(nitrogen)
    p.limit(50, "50, above is true")
    q = picture.panel(axis, "melt pressure, bar", 50, 125, 80, [60, 80, 100, 120])
    q.trace(pressure_, "other")
    q.limit(80, "80, below is true")
    lane = picture.lane(axis, "true")
    true = [t for (t, g), (_, b) in zip(nitrogen, pressure_, strict=True) if g > 50 and b < 80]
    starts = [t for t in true if t - 0.5 not in true]
    for start in starts:
        end = next(t for t in (0.5 * i for i in range(1, 200)) if t > start and t not in true)
        lane.box(start, end, kind="plain")
        if end - start < 10:
            p.call(start, "quiet", "too short")
    delay = picture.lane(axis, "delay")
    delay.dimension(spell.onset, spell.decided, "10 s")
    tell(p, picture.lane(axis, "alarm"), spell, "gas-without-pressure.true", "s")
    q.alarm(spell.decided, spell.returned)
    return picture


def _bump(t: float, start: float, end: float, flank: float) -> float:
    return min(1.0, max(0.0, (t - start) / flank)) * min(1.0, max(0.0, (end - t) / flank + 1))
