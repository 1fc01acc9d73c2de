"""Pictures of what is told flaw by flaw: `flaw`, the wet gauge, `count`."""

import math
import random
from collections.abc import Callable

from chart import Axis
from levels import METRE, tell
from picture import Picture
from small_line import READ, SPEED, Row, run, spells

from metrepost.events import DropEvent, FlawEvent
from metrepost.rules.baseline import Baseline
from metrepost.rules.contract import Condition, Told


def _peaks(tag: str, first: float, last: float, level: Callable[[float], float], flaws: list[tuple[float, float, float]], seed: int,
           behind: float = 0.0) -> list[Row]:  # fmt: skip
    """Readings of a maximum since the last read; `flaws` are `(from, to, height)`; `behind` seconds later than the cable was at 0."""
    dice, rows = random.Random(seed), []
    for i in range(1, int((last - first) / READ) + 1):
        x = first + i * READ
        rise = max((h for a, b, h in flaws if a < x and b > x - READ), default=0.0)
        value = level(x) + rise + dice.gauss(0, 0.003)
        rows.append(Row(x / SPEED + behind, x, tag, value, READ))
    return rows


def flaw() -> Picture:
    """A lump over the running median, told at once."""
    rule = {
        "kind": "flaw",
        "class": "product",
        "reads": ["cold-gauge.x_max"],
        "direction": "lump",
        "baseline": "5 m",
        "height": "0.06 mm",
    }

    def level(x: float) -> float:
        return 4.80 + 0.035 * (0.5 - 0.5 * math.cos(math.pi * min(max(x - 2, 0), 10) / 10))

    flaws = [(5.0, 5.09, 0.04), (9.30, 9.42, 0.045), (9.34, 9.40, 0.105)]
    rows = _peaks("cold-gauge.x_max", 0.0, 14.0, level, flaws, 2)
    said = run({"cold-lump": rule}, rows)
    (told,) = [s.finding.data for s in said if isinstance(s.finding, Told) and isinstance(s.finding.data, FlawEvent)]
    raised = [s for s in said if isinstance(s.finding, Condition) and s.finding.active]
    assert len(raised) == 1
    picture = Picture(
        "flaw", "flaw: a short excursion, at once",
        ["direction lump · height 0.06 mm over the running median of 5 m", "each reading is the maximum since the last read"],
        "Above, 14 m of cable: the limit follows the running median of the diameter 0.06 mm above it, so a slow "
        "change is no flaw. "
        "Beneath, the 60 cm round the lump enlarged: each step is the maximum of one piece of cable between two "
        "reads; the alarm "
        "comes with the first reading over the limit, and its event tells from, to and peak.",
    )  # fmt: skip
    base, levels = Baseline(5.0), []
    for row in rows:
        at = base.level_at(row.metre)
        levels.append((row.metre, at if at == at and row.metre > 0.5 else math.nan))
        base.add(row.metre, row.value)
    axis = Axis(0, 14, METRE.format("cold gauge"))
    p = picture.panel(axis, "maximum diameter on x, mm", 4.78, 4.95, 120)
    p.trace([(r.metre, r.value) for r in rows], thick=1.2)
    p.trace([(x, v) for i, (x, v) in enumerate(levels) if i % 6 == 0], "target", "baseline, median 5 m", dash="8 3 2 3")
    p.trace([(x, v + 0.06) for i, (x, v) in enumerate(levels) if i % 6 == 0], "limit", "baseline + 0.06", dash="7 4")
    p.call(5.0, "quiet", "too low: 0.04")
    p.call(told.peak or 0.0, "decided", f"lump {told.height:.2f} mm at {told.peak:.2f} m")
    near = Axis(
        9.05,
        9.65,
        "the same, enlarged: metre of cable, m",
        [9.1, 9.2, 9.3, 9.4, 9.5, 9.6],
        ["9.1", "9.2", "9.3", "9.4", "9.5", "9.6"],
    )
    q = picture.panel(near, "maximum diameter on x, mm", 4.80, 4.95, 130)
    shown = [(max(9.05, r.metre - READ), r.value) for r in rows if r.metre >= 9.05 and r.metre - READ <= 9.65]
    q.trace([*shown, (9.65, shown[-1][1])], step=True, thick=2)
    q.trace([(x, v) for x, v in levels if 9.05 <= x <= 9.65], "target", "baseline", dash="8 3 2 3")
    q.trace([(x, v + 0.06) for x, v in levels if 9.05 <= x <= 9.65], "limit", "baseline + 0.06", dash="7 4")
    q.alarm(told.start or 0.0, told.end or 0.0)
    q.call(raised[0].metre, "decided", f"alarm {raised[0].metre:.2f} m, with the first reading over the limit")
    picture.words["alarm"] = "the flaw, from … to"
    lane = picture.lane(near, "flaw")
    lane.box(told.start or 0.0, told.end or 0.0, f"from {told.start:.2f} to {told.end:.2f}, peak {told.peak:.2f} m")
    return picture


def wet_gauge() -> Picture:
    """A drop, a lump, and an excursion whose witness was blind, side by side."""
    rule = {
        "kind": "flaw", "class": "product", "reads": ["cold-gauge.x_max"], "direction": "lump", "baseline": "5 m", "height": "0.06 mm",
        "witness": {"reads": ["hot-gauge.x_max"], "max_length": "100 mm", "up_to_speed": "80 m/min"},
    }  # fmt: skip
    drop, lump, blind = (10.5, 10.53, 0.20), (12.0, 12.04, 0.10), (13.5, 13.53, 0.14)
    hot = _peaks("hot-gauge.x_max", 0.0, 16.0, lambda _: 4.92, [lump], 3)
    hot = [r if not 13.35 <= r.metre <= 13.62 else Row(r.time, r.metre, r.tag, math.nan, r.piece) for r in hot]
    cold = _peaks("cold-gauge.x_max", 0.0, 16.0, lambda _: 4.80, [drop, lump, blind], 4, behind=60.0 / SPEED)
    said = run({"cold-lump": rule}, [*hot, *cold])
    told = [s.finding.data for s in said if isinstance(s.finding, Told)]
    verdicts = {round(e.peak or 0.0, 1): e for e in told if isinstance(e, DropEvent | FlawEvent)}
    alarms = [s for s in said if isinstance(s.finding, Condition) and s.finding.active]
    assert [e.kind for e in verdicts.values()] == ["drop", "flaw", "flaw"]
    picture = Picture(
        "wet_gauge", "The wet gauge: what another station saw on the same metres decides",
        ["flaw over 0.06 mm at the cold gauge · witness: the hot gauge, 45 s earlier, before the water",
         "looked at: the metres of the excursion and the registration on both sides",
         "threshold: half of 0.06 mm, less three standard deviations of the witness's own noise"],
        "Two plots over the same metres of cable. Above, the cold gauge shows three short excursions over its limit. "
        "Beneath, the "
        "witness trace of the hot gauge on those metres: flat at the first, so it is a drop and the alarm is "
        "suppressed by design; "
        "risen above the threshold at the second, so it is a lump and alarms; without good readings at the third, so it is "
        "unwitnessed and alarms.",
    )  # fmt: skip
    axis = Axis(9.7, 14.3, "metre of cable, the same for both gauges, m", [10, 11, 12, 13, 14])
    p = picture.panel(axis, "cold gauge: maximum diameter on x, mm", 4.77, 5.03, 125, [4.8, 4.9, 5.0])
    p.trace([(r.metre, r.value) for r in cold if 9.7 <= r.metre <= 14.3])
    p.limit(4.86, "baseline + 0.06")
    p.limit(4.80, "baseline", "target")
    q = picture.panel(axis, "witness, hot gauge: maximum diameter on x, mm", 4.89, 5.05, 120, [4.9, 4.95, 5.0, 5.05])
    q.trace([(r.metre, r.value) for r in hot if 9.7 <= r.metre <= 14.3], "other")
    q.crosses([(r.metre, 4.92) for r in hot if r.value != r.value and 9.7 <= r.metre <= 14.3], 2.6)
    q.text(13.5, 4.98, "×: no good reading")
    q.limit(4.92, "baseline", "target")
    picture.words |= {"alarm": "alarm", "pass": "suppressed by design"}
    lane = picture.lane(axis, "looked at")
    verdict = picture.lane(axis, "verdict")
    for event in verdicts.values():
        start, end, peak = event.start or 0.0, event.end or 0.0, event.peak or 0.0
        seen = event.witness or {}
        lane.dimension(seen["from"], seen["to"], "")
        label = f"threshold + {seen['threshold']:.3f}" if peak > 13 else ""
        q.limit(4.92 + seen["threshold"], label, x0=seen["from"] - 0.3, x1=seen["to"] + 0.3)
        alarmed = any(abs((s.finding.peak or 0.0) - peak) < 0.01 for s in alarms if isinstance(s.finding, Condition))
        words = "drop: suppressed" if isinstance(event, DropEvent) else f"{event.verdict}: alarm"
        assert alarmed is isinstance(event, FlawEvent)
        if alarmed:
            p.alarm(start, end)
        p.call(peak, "decided" if alarmed else "quiet", words)
        verdict.box(seen["from"], seen["to"], "", "alarm" if alarmed else "pass")
        why = {"drop": "hot gauge flat", "lump": "hot gauge rose too", "unwitnessed": "hot gauge blind"}
        verdict.words(seen["to"] + 0.05, why[event.verdict if isinstance(event, FlawEvent) else "drop"])
    return picture


def count() -> Picture:
    """Increments of a counter within a sliding piece of cable."""
    rule = {
        "kind": "count", "class": "product", "reads": "spark-tester.faults", "limit": 3, "per": "100 m",
        "cluster": {"limit": 2, "within": "10 m"},
    }  # fmt: skip
    faults = [32.0, 81.0, 124.0, 168.0, 171.0, 173.5, 214.0]
    rows: list[Row] = []
    for i in range(1, 801):
        x = 0.5 * i
        rows.append(Row(x / SPEED, x, "spark-tester.faults", float(sum(f <= x for f in faults))))
        rows.append(Row(x / SPEED, x))
    said = run({"spark-faults": rule}, rows)
    (over,), (cluster,) = spells(said, "spark-faults", "over"), spells(said, "spark-faults", "cluster")
    picture = Picture(
        "count", "count: too many",
        ["more than 3 within 100 m · cluster: more than 2 within 10 m · returns at half the limit"],
        "Spark faults by metre of cable, a mark each, and beneath them two staircases: how many lie within the last "
        "100 m and within "
        "the last 10 m. When more than three lie within 100 m, the alarm over is raised; it returns when no more than "
        "half of three are left. "
        "Three faults within 10 m raise an alarm of their own, the cluster.",
    )  # fmt: skip
    axis = Axis(0, 400, METRE.format("spark tester"))
    marks = picture.lane(axis, "faults")
    for f in faults:
        marks.parts.append(f'<path class="l limit" stroke-width="2" d="M{axis(f):.1f} 3v17"/>')
    metres = [0.5 * i for i in range(801)]
    within = {w: [(x, float(sum(x - w < f <= x for f in faults))) for x in metres] for w in (100, 10)}
    p = picture.panel(axis, "faults within the last 100 m", 0, 5.5, 90, [0, 1, 2, 3, 4, 5])
    p.trace(_steps(within[100]), step=True, thick=2)
    p.limit(3, "limit 3")
    p.limit(1.5, "half, returns", "target")
    tell(p, picture.lane(axis, "alarm"), over, "spark-faults.over")
    q = picture.panel(axis, "faults within the last 10 m", 0, 4, 70, [0, 1, 2, 3])
    q.trace(_steps(within[10]), "other", step=True, thick=2)
    q.limit(2, "cluster limit 2")
    tell(q, picture.lane(axis, "alarm"), cluster, "spark-faults.cluster")
    return picture


def _steps(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    kept = [p for i, p in enumerate(points) if i == 0 or p[1] != points[i - 1][1]]
    return [*kept, points[-1]]
