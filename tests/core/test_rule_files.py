"""Rules as an engineer writes them: from a rule file through loading and assembly into a running core."""

import json
import math

import pytest

from metrepost.assembly import assemble
from metrepost.configuration import ConfigurationError, load_line
from metrepost.events import AlarmEvent, Event, ReelState, StretchEvent
from metrepost.readings import BAD, GOOD, Reading, Tick
from support_configuration import GOOD as LINE
from support_configuration import changed, written

STATIONS = """\
[station.spark-tester]
position = "70 m"
aperture = "100 mm"
defaults = { endpoint = "plc" }
[station.spark-tester.tags]
voltage = { node = "nsu=urn:northmere:core-3;s=Spark.Voltage", unit = "kV" }
voltage_on = { node = "nsu=urn:northmere:core-3;s=Spark.On" }

[mqtt]
"""

RULES = """\
format = 1

[rule.water]
kind = "band"
class = "process"
reads = "plc.water"
high = { at = "26 degC", response = "look" }
hold_off = { after_change_of = "plc.threading", for = "60 s" }

[rule.warm]
kind = "condition"
class = "process"
expression = 'value["plc.water"] > 26.0'
hold_off = { after_change_of = "plc.threading", for = "60 s" }
response = "look"

[rule.untested]
kind = "untested"
class = "product"
voltage = "spark-tester.voltage"
voltage_on = "spark-tester.voltage_on"
required = "3.0 kV"
electrode = "100 mm"
rule = "9-cycles"
frequency = "150 Hz"
silence = "12 s"
response = "test again"
"""

SPEED = 60.0
"""m/min, so 1 m/s."""
T0 = 1_800_000_000.0
SPARK, REEL = 1000.0 - 4.0, 1000.0 - 18.0
"""Metre in front of tester and take-up at T0: 4 and 18 m downstream of the capstan, whose counter shows 1000 m."""


class Shift:
    """A core of that line, fed second by second; values of the PLC come on change only, as from a subscription."""

    def __init__(self, folder):
        self.loaded = load_line(written(folder, changed(LINE, "[mqtt]\n", STATIONS), RULES), environ={})
        self.core, self.out, self.t, self.speed, self.length = assemble(self.loaded), [], 0.0, SPEED, 1000.0

    def feed(self, item):
        self.out += self.core.feed(item)

    def say(self, tag, value, quality=GOOD, reason=""):
        self.feed(Reading(tag, T0 + self.t, value, quality, reason))

    def spark(self, voltage=3.5, on=1.0):
        self.say("spark-tester.voltage", voltage)
        self.say("spark-tester.voltage_on", on)

    def run(self, until, spark_every=5.0):
        while self.t < until - 1e-9:
            self.t = round(self.t + 0.1, 6)
            self.length += self.speed / 60 * 0.1
            self.say("capstan.length", self.length)
            self.say("capstan.speed", self.speed)
            if spark_every and abs(self.t / spark_every - round(self.t / spark_every)) < 1e-6:
                self.spark()
            self.feed(Tick(T0 + self.t))

    def restart(self, down):
        saved = json.loads(json.dumps(self.core.snapshot()))
        alarms = json.loads(json.dumps(self.core.alarms.snapshot()))
        self.core = assemble(self.loaded)
        assert self.core.restore(saved) == []
        self.core.alarms.restore(alarms)
        self.t = round(self.t + down, 6)
        self.length += self.speed / 60 * down

    def alarms(self, rule):
        return [
            (round(o.time - T0, 1), o.data.transition)
            for o in self.out
            if isinstance(o, Event) and isinstance(o.data, AlarmEvent) and o.data.rule == rule
        ]

    def stretches(self):
        return [
            o.data for o in self.out if isinstance(o, Event) and isinstance(o.data, StretchEvent) and o.data.mark == "untested"
        ]

    def record(self):
        return self.core._reels.current(self.core.take_up_metre()).stretches

    def closed(self):
        """Records of the reels that were cut."""
        return [o.data for o in self.out if isinstance(o, ReelState) and o.which == "last"]


@pytest.fixture
def shift(tmp_path):
    shift = Shift(tmp_path)
    shift.say("plc.threading", 0.0)
    shift.say("plc.cut", 1.0)
    shift.say("plc.water", 25.0)
    shift.spark()
    shift.run(2.0)
    return shift


def test_a_hold_off_in_a_file_is_in_force_and_what_stands_at_its_end_is_told(shift):
    shift.say("plc.threading", 1.0)
    shift.run(10.0)
    shift.say("plc.water", 27.0)
    shift.run(61.9)
    assert shift.alarms("water") == shift.alarms("warm") == []
    shift.run(63.0)
    assert shift.alarms("water") == shift.alarms("warm") == [(62.0, "raised")]


def test_without_a_change_of_the_setpoint_it_holds_nothing_back(shift):
    shift.run(10.0)
    shift.say("plc.water", 27.0)
    assert shift.alarms("water") == [(10.0, "raised")]


def test_a_restart_in_the_middle_of_a_hold_off_keeps_it(shift):
    shift.say("plc.threading", 1.0)
    shift.run(10.0)
    shift.restart(down=8.0)
    shift.say("plc.threading", 1.0)
    shift.run(18.2)
    shift.say("plc.water", 27.0)
    shift.run(61.9)
    assert shift.alarms("water") == []
    shift.run(63.0)
    assert shift.alarms("water") == [(62.0, "raised")]


@pytest.mark.parametrize("mistake", [("plc.threading", "plc.thread"), ("60 s", "60 kg")])
def test_a_wrong_hold_off_is_refused(tmp_path, mistake):
    wrong = RULES.replace(f'"{mistake[0]}"', f'"{mistake[1]}"')
    with pytest.raises(ConfigurationError):
        load_line(written(tmp_path, changed(LINE, "[mqtt]\n", STATIONS), wrong), environ={})


def rows(shift):
    """Untested pieces of the reel in make, as metres in front of the tester since T0."""
    return [(row["from"] - SPARK, row["to"] - SPARK) for row in shift.record() if row["mark"] == "untested"]


def test_what_was_untested_stands_in_the_reel_record(shift):
    shift.run(20.0)
    shift.say("spark-tester.voltage_on", 0.0)
    shift.run(30.0, spark_every=None)
    shift.spark()
    shift.run(60.0)
    opened, closed = shift.stretches()
    assert (opened.open, closed.open) == (True, False)
    # the last good reading was at 20 s, 20 m on; the electrode is 0.1 m
    assert (closed.start - SPARK, closed.end - SPARK) == pytest.approx((19.9, 30.1), abs=0.02)
    assert rows(shift) == [pytest.approx((19.9, 30.1), abs=0.02)]
    shift.say("plc.cut", 2.0)
    (record,) = shift.closed()
    assert [(row["mark"], row["cause"], row["station"]) for row in record.stretches] == [
        ("untested", "untested", "spark-tester")
    ]
    assert record.stretches[0]["from_start"] == pytest.approx(19.9 + SPARK - record.start, abs=0.02)


def test_a_tester_that_falls_silent_is_told_and_marked_from_its_last_reading_on(shift):
    shift.run(20.0)
    shift.run(40.0, spark_every=None)
    assert [state for _, state in shift.alarms("untested")] == ["raised"]
    shift.spark()
    shift.run(60.0)
    assert rows(shift) == [pytest.approx((19.9, 40.1), abs=0.02)]


def test_an_endpoint_that_is_down_is_untested_cable(shift):
    shift.run(20.0)
    for tag in ("voltage", "voltage_on"):
        shift.say(f"spark-tester.{tag}", math.nan, BAD, "not connected")
    shift.run(26.0, spark_every=None)
    shift.spark()
    shift.run(60.0)
    assert rows(shift) == [pytest.approx((19.9, 26.1), abs=0.02)]


def test_what_passed_during_a_restart_is_untested_cable(shift):
    shift.run(20.0)
    shift.restart(down=6.0)
    shift.run(26.3, spark_every=None)
    shift.spark()
    shift.run(60.0)
    assert rows(shift) == [pytest.approx((19.9, 26.4), abs=0.15)]
    assert "the daemon was down" in shift.stretches()[0].explanation


def test_too_fast_between_two_readings_of_the_voltage_is_untested_cable(shift):
    shift.run(21.0)
    shift.speed = 120.0  # 150 Hz in 100 mm allow 100 m/min
    shift.run(23.0)
    shift.speed = SPEED
    shift.run(24.5)
    ((start, end),) = rows(shift) or [(r.start - SPARK, r.end - SPARK) for r in shift.stretches() if not r.open]
    assert (start, end) == pytest.approx((20.9, 25.3), abs=0.5)


def test_a_tester_that_works_marks_nothing(shift):
    shift.run(60.0)
    assert shift.stretches() == []
