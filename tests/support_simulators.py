"""Helpers for the tests of the simulators: small lines, and hand-made truth and events."""

from pathlib import Path

import orjson

from metrepost_sim.flaws import Flaw
from metrepost_sim.motion import SpeedPoint
from metrepost_sim.scenario import Scenario, Surface

SMOOTH = Surface(drift=0.0, screw=0.0, haul_off=0.0, ovality=0.0, noise=0.0, twist=0.0, twist_wander=0.0)
"""A core without drift, print or noise: what is left is the flaw."""


def small(*flaws, speed=60.0, duration=120.0, surface=SMOOTH, **more):
    """A short scenario with these flaws; the counter starts at 1000 m."""
    return Scenario("small", 1, duration, speed, (SpeedPoint(0.0, speed),), flaws=flaws, surface=surface, **more)


def ring(metre, height=0.1, length=0.1, **more):
    """A lump all round the core."""
    return Flaw("lump", metre, height, length, 0.0, 360.0, **more)


HEADER = {
    "kind": "header",
    "speed": 60.0,
    "limit": 0.06,
    "hot": 1.5,
    "cold": 61.5,
    "reference": 66.0,
    "spark": 70.0,
    "electrode": 0.1,
    "take_up": 84.0,
    "registration": {"length": 0.05, "share": 0.001, "time": 0.02},
    "poll": {"cold-gauge.x_max": 0.02, "spark-tester.faults": 0.1},
    "witness": "peak-hold",
}


def flaw_row(kind, metre, *, cold=0.1, hot=0.1, covered=True, passed=True, **more):
    """A truth row of a flaw 40 mm long."""
    shown = {"shown_cold": cold, "shown_hot": hot, "shown_cold_instant": None, "shown_hot_instant": None}
    return {
        "kind": kind,
        "metre": metre,
        "from": metre - 0.02,
        "to": metre + 0.02,
        "passed": passed,
        "covered_hot": covered,
        **shown,
        **more,
    }


def event(kind, metre, **data):
    """A CloudEvent with a piece of 40 mm about `metre`."""
    piece = {"metre": metre, "from": metre - 0.02, "to": metre + 0.02}
    return {"specversion": "1.0", "type": f"metrepost.{kind}.v1", "data": {**piece, **data}}


def alarm(metre, rule="cold-lump", limit="lump", **data):
    """A product alarm raised at `metre`."""
    return event(
        "alarm", metre, **{"rule": rule, "limit": limit, "class": "product", "transition": "raised", "trial": False, **data}
    )


def save(path: Path, rows):
    """Write rows as .jsonl."""
    path.write_bytes(b"\n".join(orjson.dumps(row) for row in rows))
    return path
