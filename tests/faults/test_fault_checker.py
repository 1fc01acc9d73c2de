"""The judge of the fault rig must fail where something is lost, changed, swapped or told twice: each seeded bug is caught."""

import json

import pytest
from fault_checker import RULES, Record, judge

from metrepost.readings.moment import rfc3339

ROOT = "metrepost/v1/northmere/extrusion/core-3/"
EPOCH = "abcdefghijkl"
T0 = 1_800_000_000.0
HEADER = {
    "kind": "header",
    "start": T0,
    "speed": 240.0,
    "counter_start": 1000.0,
    "limit": 0.06,
    "reference": 66.0,
    "hot": 1.5,
    "cold": 61.5,
    "spark": 70.0,
}


def metre(time, position):
    return 1000.0 + 4.0 * (time - T0) + 66.0 - position


class Story:
    """A run in which all is well: 30 s watched, one lump and one neck a second, a spark every 2 s, one cut."""

    def __init__(self):
        self.rows = []
        self.truth = [HEADER]
        self.numbers = {"event": 0, "rollup": 0}
        self.tell("configuration", T0, what="start")
        # cable that only one of the gauges watched, so that each flaw is the business of three rules
        for gauge, position, seconds in (("hot", 1.5, range(15, 28)), ("cold", 61.5, range(14, 27))):
            for kind in ("lump", "neck"):
                for second in seconds:
                    at = metre(T0 + second + (0.5 if kind == "neck" else 0.0), position)
                    self.flaw(gauge, kind, at)
        for second in range(14, 28, 2):
            at = metre(T0 + second, 70.0)
            self.truth.append({"kind": "pinhole", "metre": at, "counted": True})
            self.tell("spark", T0 + second, **{"from": at - 0.2, "to": at + 0.2, "faults": 1})
        self.truth.append({"kind": "cut", "time": T0 + 16.0})
        self.tell("cut", T0 + 16.1)
        for n in range(5):
            data = {"span": "5m", "opened": rfc3339(T0 + n), "closed": rfc3339(T0 + n + 1), "from": 5.0 * n}
            self.tell("rollup/5m/cold-gauge/diameter", T0 + n, stream="rollup", **data)
        self.tell("configuration", T0 + 30.0, what="stop")

    def tell(self, kind, time, *, stream="event", **data):
        self.numbers[stream] += 1
        name = f"{stream}-{EPOCH}-{self.numbers[stream]:020}"
        row = {"id": name, "type": f"metrepost.{kind}.v1", "time": rfc3339(time), "data": data}
        topic = f"event/{kind}" if stream == "event" else kind
        self.rows.append(Record(ROOT + topic, json.dumps(row)))
        return name

    def flaw(self, gauge, kind, at):
        shown = {"shown_hot": 0.2, "shown_cold": 0.2}
        self.truth.append({"kind": kind, "metre": at, "from": at - 0.02, "to": at + 0.02, **shown})
        piece = {"from": at - 0.05, "to": at + 0.05}
        for rule, (_, which, what) in RULES.items():
            if (which, what) == (gauge, kind):
                self.tell("flaw", T0 + 1, rule=rule, **piece)
                alarm = {"alarm": f"{rule}.{kind}", "rule": rule, **piece}
                self.tell("alarm", T0 + 1, transition="raised", state="unacknowledged", **alarm)
                self.tell("alarm", T0 + 1, transition="returned", state="returned_unacknowledged", **alarm)
                state = json.dumps({"state": "returned_unacknowledged"})
                self.rows.append(Record(f"{ROOT}alarm/{rule}/{kind}", state))

    def index(self, words):
        return next(i for i, r in enumerate(self.rows) if words in r.payload)

    def judge(self, disturbed=()):
        return judge(self.rows, self.truth, disturbed)


@pytest.fixture
def story():
    return Story()


def test_a_run_in_which_all_is_well_passes(story):
    verdict = story.judge()
    assert verdict.good, dict(verdict.wrong)
    assert verdict.counts["flaw events: flaws judged"] >= 100
    assert (verdict.counts["spark faults judged"], verdict.counts["cuts judged"]) == (7, 1)


def test_one_event_deleted_is_a_hole(story):
    del story.rows[story.index('"metrepost.flaw.v1"')]
    assert story.judge().wrong["no hole"]


def test_a_hole_that_a_loss_event_declares_is_none(story):
    gone = story.index('"metrepost.cut.v1"')
    number = int(json.loads(story.rows[gone].payload)["id"].rsplit("-", 1)[1])
    del story.rows[gone]
    stop = story.rows.pop()
    story.numbers["event"] -= 1
    story.tell("loss", T0 + 29, stream="event", epoch=EPOCH, first=number, last=number)
    row = json.loads(story.rows[-1].payload)
    row["data"]["stream"] = "event"
    story.rows[-1] = Record(story.rows[-1].topic, json.dumps(row))
    story.tell("configuration", T0 + 30, what="stop")
    assert stop.topic == story.rows[-1].topic
    assert not story.judge().wrong["no hole"]


def test_the_end_of_the_stream_missing_is_a_hole(story):
    story.rows.pop()
    assert story.judge().wrong["no hole"]


def test_a_double_with_the_same_bytes_is_allowed_and_one_with_other_bytes_is_not(story):
    at = story.index('"metrepost.spark.v1"')
    story.rows.append(story.rows[at])
    assert story.judge().good
    story.rows.append(Record(story.rows[at].topic, story.rows[at].payload.replace('"faults": 1', '"faults": 2')))
    assert story.judge().wrong["doubles"]


def test_two_messages_of_a_topic_in_the_wrong_order_are_caught(story):
    sparks = [i for i, r in enumerate(story.rows) if r.topic.endswith("/spark")]
    a, b = sparks[:2]
    story.rows[a], story.rows[b] = story.rows[b], story.rows[a]
    assert story.judge().wrong["in order"]


def _renamed(story, index, old, new):
    """Another event in the place of one, so that the stream has no hole."""
    story.rows[index] = Record(story.rows[index].topic.replace(old, new), story.rows[index].payload.replace(old, new))


@pytest.mark.parametrize(
    ("piece", "good"),
    [
        ((-6.0, -0.1), True),  # a read of six metres with the lump before, which ends a hand's breadth before this one
        ((-6.0, -0.04), False),  # it reaches into the piece that the event of this lump stands for
        ((-1.0, -0.1), False),  # there is no other lump in it
    ],
)
def test_a_long_read_beside_a_flaw_is_no_second_event_if_it_has_one_of_its_own(story, piece, good):
    lumps = [row["metre"] for row in story.truth if row.get("kind") == "lump"]
    at = lumps[3]
    assert at - lumps[2] == pytest.approx(4.0)
    alike = [i for i, r in enumerate(story.rows) if '"metrepost.flaw.v1"' in r.payload and '"hot-lump-a"' in r.payload]
    row = json.loads(story.rows[alike[2]].payload)
    assert row["data"]["from"] == pytest.approx(lumps[2] - 0.05)
    row["data"] |= {"from": at + piece[0], "to": at + piece[1]}
    if not good:  # the lump before keeps an event of its own
        stop = story.rows.pop()
        story.numbers["event"] -= 1
        story.tell("flaw", T0 + 29, **row["data"])
        story.tell("configuration", T0 + 30, what="stop")
        assert stop.topic == story.rows[-1].topic
    else:
        story.rows[alike[2]] = Record(story.rows[alike[2]].topic, json.dumps(row))
    verdict = story.judge()
    assert (not verdict.wrong["told once"]) is good, verdict.wrong["told once"]
    if good:
        assert verdict.counts["flaw events: within reach of a neighbour's"] == 1


@pytest.mark.parametrize("kind", ["flaw", "alarm", "spark", "cut"])
def test_a_flaw_an_alarm_a_spark_fault_or_a_cut_that_was_never_told_is_caught(story, kind):
    index = next(i for i, r in enumerate(story.rows) if r.topic.endswith(f"event/{kind}") and "returned" not in r.payload)
    _renamed(story, index, kind if kind != "alarm" else '"raised"', "note" if kind != "alarm" else '"acknowledged"')
    assert story.judge().wrong["told once"]


@pytest.mark.parametrize("kind", ["flaw", "spark", "cut"])
def test_one_that_is_told_twice_under_two_ids_is_caught(story, kind):
    row = json.loads(story.rows[story.index(f'"metrepost.{kind}.v1"')].payload)
    story.rows.pop()
    story.numbers["event"] -= 1
    story.tell(kind, T0 + 17.0, **row["data"])
    story.tell("configuration", T0 + 30, what="stop")
    assert story.judge().wrong["told once"]


def test_a_flaw_in_a_told_gap_need_not_be_told_and_a_gap_without_a_cause_is_caught(story):
    index = story.index('"cold-lump-a"')
    piece = json.loads(story.rows[index].payload)["data"]
    for record in [r for r in story.rows if '"cold-lump-a"' in r.payload and f'"from": {piece["from"]}' in r.payload]:
        _renamed(story, story.rows.index(record), "cold-lump-a", "elsewhere")
    assert story.judge().wrong["told once"]
    story.rows.pop()
    story.numbers["event"] -= 1
    gap = {"mark": "gap", "station": "cold-gauge", "open": False, "from": piece["from"] - 1.0, "to": piece["to"] + 1.0}
    story.tell("stretch", T0 + 20, **gap)
    story.tell("configuration", T0 + 30, what="stop")
    assert not story.judge().wrong["told once"]
    assert not story.judge([(T0, T0 + 40)]).wrong["no quiet gap"]
    assert story.judge([(T0 - 100.0, T0 - 90.0)]).wrong["no quiet gap"]


def test_a_rollup_bucket_under_two_ids_is_caught(story):
    data = json.loads(story.rows[story.index('"rollup-')].payload)["data"]
    story.tell("rollup/5m/cold-gauge/diameter", T0, stream="rollup", **data)
    assert story.judge().wrong["doubles"]


def test_a_present_state_that_is_not_that_of_the_last_transition_is_caught(story):
    story.rows.append(Record(f"{ROOT}alarm/cold-lump-a/lump", json.dumps({"state": "normal"})))
    assert story.judge().wrong["agreement"]
