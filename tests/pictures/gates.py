"""Pictures of what decides whether, and how early, a rule speaks: `when`, `hold_off`, and the kind `end_of`."""

import random

from chart import Axis
from levels import tell
from picture import Picture
from small_line import SPEED, LineView, Row, run, spells


def end_of() -> Picture:
    """What is left on the pay-off, in metres and in minutes at the present speed."""
    rule = {"kind": "end_of", "class": "equipment", "reads": "pay-off.left", "metres": "200 m", "minutes": "5 min"}
    rows, left, metre = [], 1050.0, 0.0
    for i in range(1, 1081):
        t = float(i)
        speed = (60.0 if t < 420 else 90.0) / 60
        metre += speed
        left = 1400.0 if t == 720 else left - speed
        rows.append(Row(t, metre, "pay-off.left", left, speed=speed))
    said = run({"pay-off-empty": rule}, rows)
    (near,) = spells(said, "pay-off-empty", "near", by="time")
    assert near.raised is not None
    picture = Picture(
        "end_of", "end_of: runs out soon",
        ["less than 200 m, or less than 5 min at the present speed, whichever comes first"],
        "Metres left on the pay-off over time. Two limits: 200 m, and what passes in 5 minutes at the present speed, "
        "a step that rises from "
        "300 to 450 m when the line goes from 60 to 90 m/min. The alarm is raised when the falling line meets the "
        "higher of the two, and "
        "returns with the new coil.",
    )  # fmt: skip
    axis = Axis(0, 18, "time, min")
    p = picture.panel(axis, "left on the pay-off, m", 0, 1500, 170, [0, 300, 600, 900, 1200, 1500])
    p.trace([(r.time / 60, r.value) for r in rows if r.time % 12 == 0 or r.time in (719, 720)], thick=2.2)
    p.trace([(0, 300), (7, 450), (18, 450)], "limit", "5 min at that speed", step=True, dash="7 4")
    p.limit(200, "200 m")
    p.call(7, "change", "60 to 90 m/min")
    p.call(near.decided / 60, "decided", f"alarm {near.raised.value:.0f} m left")
    p.call(near.returned / 60, "returned", "new coil")
    p.alarm(near.decided / 60, near.returned / 60)
    picture.lane(axis, "alarm").box(near.decided / 60, near.returned / 60, "pay-off-empty.near")
    return picture


def hold_off() -> Picture:
    """A band round a setpoint tag, with and without a pause after the setpoint was changed."""
    table = {
        "kind": "band", "class": "process", "reads": "trough.water", "target": "trough.setpoint", "tolerance": "1 degC",
        "deadband": "0.2 degC", "low": {}, "high": {},
    }  # fmt: skip
    held = table | {"hold_off": {"after_change_of": "trough.setpoint", "for": "60 s"}}
    dice = random.Random(21)
    rows, water = [], 25.0
    for i in range(1, 301):
        t = float(i)
        setpoint = 25.0 if t < 40 else 28.0
        water += (setpoint - water) / 22
        if 180 <= t < 225:
            water += 0.12
        rows.append(Row(t, t * SPEED, "trough.setpoint", setpoint))
        rows.append(Row(t, t * SPEED, "trough.water", water + dice.gauss(0, 0.05)))
    said = run({"water": held, "plain": table}, rows)
    (alarm,) = spells(said, "water", "high", by="time")
    assert not spells(said, "water", "low", by="time")
    without = [*spells(said, "plain", "low", by="time"), *spells(said, "plain", "high", by="time")]
    picture = Picture(
        "hold_off", "hold_off: a new setpoint is no news",
        ['band, target "trough.setpoint" ± 1 °C · hold_off = { after_change_of = "trough.setpoint", for = "60 s" }'],
        "Water temperature over time, its limits one degree on both sides of the setpoint. The setpoint rises by "
        "three degrees and the water needs half a "
        "minute to follow. For 60 seconds after the change the rule is passed over, so nothing is said; without "
        "hold_off it would have alarmed. "
        "A later excursion alarms as always.",
    )  # fmt: skip
    axis = Axis(0, 300, "time, s")
    p = picture.panel(axis, "trough water, °C", 23, 31, 150, [24, 26, 28, 30])
    p.passed(40, 100)
    p.trace([(r.time, r.value) for r in rows if r.tag == "trough.water" and r.time % 2 == 0], thick=1.8)
    p.trace([(0, 25), (40, 28), (300, 28)], "target", "setpoint", step=True, dash="8 3 2 3")
    p.trace([(0, 26), (40, 29), (300, 29)], "limit", "high, + 1", step=True, dash="7 4")
    p.trace([(0, 24), (40, 27), (300, 27)], "limit", "low, − 1", step=True, dash="7 4")
    p.call(40, "change", "setpoint 25 to 28 °C")
    lane = picture.lane(axis, "hold_off")
    lane.box(40, 100, "60 s", "pass")
    tell(p, picture.lane(axis, "alarm"), alarm, "water.high", "s")
    other = picture.lane(axis, "without it")
    for spell in without:
        other.box(spell.decided, spell.returned, spell.limit, "plain")
    return picture


def when() -> Picture:
    """The same trace judged by `when` and by `when_now`: by the state of the cable, and of the moment."""
    table = {
        "kind": "band", "class": "product", "reads": "cold-gauge.diameter", "target": "product.dielectric", "deadband": "0.01 mm",
        "low": {}, "high": {},
    }  # fmt: skip
    rules = {"by-cable": table | {"when": "producing"}, "by-moment": table | {"when_now": "producing"}}
    at_die = 100.0  # metre at the die from which on it is producing
    gap = 61.5
    dice = random.Random(22)

    view = LineView([(0.0, "ramping"), (at_die, "producing")], ahead=gap)
    rows = []
    for i in range(1, 361):
        x = 0.5 * i
        thick = 4.80 + 0.11 * max(0.0, min(1.0, (92 - x) / 60)) + (0.075 if 140 <= x < 150 else 0.0)
        rows.append(Row(x / SPEED, x, "cold-gauge.diameter", thick + dice.gauss(0, 0.004)))
    said = run(rules, rows, view)
    cable, moment = spells(said, "by-cable", "high"), spells(said, "by-moment", "high")
    picture = Picture(
        "when", "when: of this cable, when_now: of this moment",
        ["band, high limit 4.85 mm · the cold gauge stands 61.5 m after the die",
         "when = producing: was this metre made while producing? when_now = producing: is the line producing now?"],
        "Diameter by metre of cable. The first 100 m were made while the line ramped up, and are too thick; the line "
        "is producing "
        "when they reach the cold gauge. A rule with when = producing asks for the state in which that metre was "
        "made: it says nothing of them, and "
        "alarms for the thick piece at 140 m, made while producing. The same rule with when_now = producing asks for "
        "the present moment "
        "and alarms for cable of the ramp.",
    )  # fmt: skip
    axis = Axis(0, 180, "metre of cable at the cold gauge, m")
    p = picture.panel(axis, "diameter, mm", 4.77, 4.94, 130, [4.80, 4.85, 4.90])
    p.passed(0, at_die)
    p.trace([(r.metre, r.value) for r in rows], thick=1.6)
    p.limit(4.85, "high limit 4.850")
    p.limit(4.80, "target 4.800", "target")
    picture.words["pass"] = "not judged with when"
    p.call(at_die - gap, "change", "now producing")
    p.call(at_die, "change", "made while producing")
    made, now = picture.lane(axis, "made while"), picture.lane(axis, "line now")
    made.box(0, at_die, "ramping", "plain")
    made.box(at_die, 180, "producing", "plain")
    now.box(0, at_die - gap, "ramping", "plain")
    now.box(at_die - gap, 180, "producing", "plain")
    for label, spans in (("when", cable), ("when_now", moment)):
        lane = picture.lane(axis, label)
        for spell in spans:
            lane.box(spell.decided, min(spell.returned, 180.0), "high")
    for spell in cable:
        p.alarm(spell.decided, spell.returned)
    return picture
