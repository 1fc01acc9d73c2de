"""The judge of a fault run: pure, on what a subscriber wrote down and what the simulator knows. The daemon's journal is not asked.

`judge` returns everything that is wrong, in sentences, and the counts for the table. What it wants:

* **told once**: every flaw that stood over its limit, on cable that the station observed, has exactly one flaw event and exactly one
  alarm; every spark fault and every cut exactly one, observed or not, for their counters keep them
* **no quiet gap**: what was not told lies in a stretch that was told as a gap; and no gap is told where nothing was disturbed
* **no hole**: per stream and epoch the sequence is complete, ranges declared by a ``loss`` event excepted; the stop is the last
* **in order** per topic, by first receipt
* **doubles** only with equal ids, bytes and topics; no rollup bucket under two ids
* **agreement**: the present state of each alarm is that of its last transition
"""

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

RULES = {
    f"{gauge}-{kind}-{variant}": (f"{gauge}-gauge", gauge, kind)
    for gauge in ("cold", "hot")
    for kind in ("lump", "neck")
    for variant in ("a", "b", "c")
}
"""Rules of `fault_rules.toml`: station, key of the truth (`shown_…`), kind of flaw."""
OVER = 1.6
"""A flaw shown at this times the lowest limit must be told by every rule; below it noise may decide."""
MEETS = 0.15
"""m: registration of an event with the truth: counter and gauge are read by two endpoints, at 4 m/s."""
DOUBT = 7.0
"""m: no more than this is granted to an event for the uncertainty that it states."""
EDGE = 0.6
"""m: a flaw so near to a told gap may have been seen in part."""
SPARK = 0.5
"""m: a spark fault lies within its event's piece widened by this."""
SETTLE = 12.0
"""s after the first start: baselines are empty before, and cable between the gauges has no witness."""
CAUSE = 5.0
"""s: a gap told so long after a disturbance is its consequence: reconnecting has backoff."""


@dataclass(frozen=True)
class Record:
    """A message as it came."""

    topic: str
    payload: str


@dataclass
class Verdict:
    """What is wrong, by kind, and what was counted."""

    wrong: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    counts: Counter[str] = field(default_factory=Counter)

    @property
    def good(self) -> bool:
        """Nothing is wrong."""
        return not any(self.wrong.values())

    def as_dict(self) -> dict[str, Any]:
        """For result.json."""
        return {"wrong": {k: v for k, v in self.wrong.items() if v}, "counts": dict(self.counts)}


@dataclass(frozen=True)
class _Piece:
    start: float
    end: float
    id: str
    doubt: float


def _piece(event: dict[str, Any]) -> _Piece:
    data = event["data"]
    return _Piece(data["from"], data["to"], event["id"], _doubt(data))


def _doubt(data: dict[str, Any]) -> float:
    """The uncertainty of its metre that an event states: an answer that took long says less about where."""
    return min(float(data.get("metre_uncertainty") or 0.0), DOUBT)


def seconds(text: str) -> float:
    """RFC 3339 to seconds since 1970."""
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def judge(records: Sequence[Record], truth: Sequence[dict[str, Any]], disturbed: Sequence[tuple[float, float]] = ()) -> Verdict:
    """`truth` are the rows of truth.jsonl, the header first; `disturbed` are wall-clock spans in which the rig did harm."""
    verdict = Verdict()
    events = _streams(records, verdict)
    _agreement(records, events, verdict)
    starts = [e for e in events if _is_configuration(e, "start")]
    stops = [e for e in events if _is_configuration(e, "stop")]
    if not starts or not stops or events[-1] is not stops[-1]:
        verdict.wrong["no hole"].append("the last event is not the stop of the daemon: the end of the stream is missing")
        return verdict
    watched = (seconds(starts[0]["time"]) + SETTLE, seconds(stops[-1]["time"]) - 1.0)
    verdict.counts["starts"] = len(starts)
    _Flaws(truth, events, watched, disturbed, verdict).judge()
    _sparks(truth, events, watched, verdict)
    _cuts(truth, events, watched, verdict)
    return verdict


def _is_configuration(event: dict[str, Any], what: str) -> bool:
    return event["type"] == "metrepost.configuration.v1" and event["data"]["what"] == what


# ---- the streams -----------------------------------------------------------------------------------------------------------


def _streams(records: Iterable[Record], verdict: Verdict) -> list[dict[str, Any]]:
    """Holes, order and doubles; the events by sequence, each once."""
    first: dict[str, Record] = {}
    last_on_topic: dict[tuple[str, str], int] = {}
    numbers: dict[tuple[str, str], set[int]] = defaultdict(set)
    buckets: dict[tuple[str, ...], str] = {}
    for record in records:
        level = _level(record.topic)
        if level not in ("event", "rollup"):
            continue
        row = json.loads(record.payload)
        stream, epoch, number = row["id"].split("-")
        known = first.get(row["id"])
        if known is not None:
            verdict.counts[f"{level} doubles"] += 1
            if known != record:
                verdict.wrong["doubles"].append(f"{row['id']} came twice with different bytes or topics")
            continue
        first[row["id"]] = record
        verdict.counts[f"{level}s"] += 1
        place = (record.topic, epoch)
        if int(number) <= last_on_topic.get(place, 0):
            verdict.wrong["in order"].append(f"{row['id']} came on {record.topic} after number {last_on_topic[place]}")
        last_on_topic[place] = max(int(number), last_on_topic.get(place, 0))
        numbers[stream, epoch].add(int(number))
        if level == "rollup":
            data = row["data"]
            timed = data["span"].endswith(("s", "min", "h"))
            key = (record.topic, data["opened"] if timed else repr(data["from"]))
            if buckets.setdefault(key, row["id"]) != row["id"]:
                verdict.wrong["doubles"].append(f"the bucket {key} has two ids: {buckets[key]} and {row['id']}")
    events = sorted(
        (json.loads(r.payload) for i, r in first.items() if i.startswith("event-")),
        key=lambda e: (e["id"].split("-")[1], int(e["id"].split("-")[2])),
    )
    declared: dict[tuple[str, str], set[int]] = defaultdict(set)
    for event in events:
        if event["type"] == "metrepost.loss.v1":
            data = event["data"]
            declared[data["stream"], data["epoch"]] |= set(range(data["first"], data["last"] + 1))
    for (stream, epoch), have in numbers.items():
        holes = sorted(set(range(1, max(have) + 1)) - have - declared[stream, epoch])
        if holes:
            verdict.wrong["no hole"].append(f"{stream} of epoch {epoch} lacks {len(holes)} numbers: {holes[:10]}")
    return events


def _level(topic: str) -> str:
    parts = topic.split("/")
    return parts[5] if len(parts) > 5 else ""


def _agreement(records: Iterable[Record], events: Iterable[dict[str, Any]], verdict: Verdict) -> None:
    """The last present state of an alarm that came must be that of its last transition."""
    present = {
        r.topic.split("/", 6)[6]: json.loads(r.payload)["state"] for r in records if _level(r.topic) == "alarm" and r.payload
    }
    last = {e["data"]["alarm"].replace(".", "/"): e["data"]["state"] for e in events if e["type"] == "metrepost.alarm.v1"}
    for alarm, state in last.items():
        if present.get(alarm) != state:
            verdict.wrong["agreement"].append(
                f"{alarm} is {present.get(alarm)} on its topic and {state} by its last transition"
            )


# ---- flaws -----------------------------------------------------------------------------------------------------------------


class _Flaws:
    """Truth flaws against flaw events, alarms and told gaps, rule by rule."""

    def __init__(
        self,
        truth: Sequence[dict[str, Any]],
        events: list[dict[str, Any]],
        watched: tuple[float, float],
        disturbed: Sequence[tuple[float, float]],
        verdict: Verdict,
    ) -> None:
        self._header = truth[0]
        self._truth = truth
        self._events = events
        self._watched = watched
        self._disturbed = disturbed
        self._verdict = verdict

    def _offset(self, station: str) -> float:
        return float(self._header["reference"] - self._header[station])

    def _metre(self, time: float, station: str) -> float:
        """Metre in front of a gauge: the line of the rig runs at one speed."""
        speed = self._header["speed"] / 60.0
        return float(self._header["counter_start"] + speed * (time - self._header["start"]) + self._offset(station))

    def _time(self, metre: float, station: str) -> float:
        speed = self._header["speed"] / 60.0
        return float(self._header["start"] + (metre - self._offset(station) - self._header["counter_start"]) / speed)

    def judge(self) -> None:
        for rule, (station, gauge, kind) in RULES.items():
            low, high = (self._metre(t, gauge) for t in self._watched)
            rows = [r for r in self._truth if r["kind"] == kind and low < r["from"] and r["to"] < high]
            rows.sort(key=lambda r: float(r["from"]))
            gaps = _merged(
                [
                    (e["data"]["from"], e["data"]["to"])
                    for e in self._events
                    if e["type"] == "metrepost.stretch.v1"
                    and (e["data"]["mark"], e["data"]["station"], e["data"]["open"]) == ("gap", station, False)
                ]
            )
            flaws = [_piece(e) for e in self._events if e["type"] == "metrepost.flaw.v1" and e["data"]["rule"] == rule]
            alarms = self._alarms(rule)
            if rule.endswith("-a"):
                self._causes(station, gauge, [g for g in gaps if low < g[0] and g[1] < high])
            self._count_gaps(rule, gaps, low, high)
            self._match(rule, gauge, rows, gaps, flaws, "flaw event")
            self._match(rule, gauge, rows, gaps, alarms, "alarm")
            self._on_no_flaw(rule, gaps, [p for p in flaws if low < p.start and p.end < high])

    def _alarms(self, rule: str) -> list[_Piece]:
        """From where an alarm was raised to where it returned: a flaw that begins meanwhile is under the same alarm."""
        pieces: list[_Piece] = []
        for event in self._events:
            data = event["data"]
            if event["type"] != "metrepost.alarm.v1" or data["rule"] != rule:
                continue
            if data["transition"] == "raised":
                pieces.append(_piece(event))
            elif data["transition"] == "returned" and pieces:
                raised = pieces[-1]
                pieces[-1] = _Piece(raised.start, max(raised.end, data["to"]), raised.id, raised.doubt)
        return pieces

    def _count_gaps(self, rule: str, gaps: list[tuple[float, float]], low: float, high: float) -> None:
        if rule == "cold-lump-a":
            inside = [(max(a, low), min(b, high)) for a, b in gaps if a < high and b > low]
            self._verdict.counts["gap metres (cold gauge)"] += round(sum(b - a for a, b in inside))
            self._verdict.counts["metres (cold gauge)"] += round(high - low)

    def _causes(self, station: str, gauge: str, gaps: list[tuple[float, float]]) -> None:
        if not self._disturbed:
            return
        for start, end in gaps:
            began, ended = self._time(start, gauge), self._time(end, gauge)
            if not any(began < b + CAUSE and ended > a - CAUSE for a, b in self._disturbed):
                self._verdict.wrong["no quiet gap"].append(
                    f"{station} tells a gap from {start:.1f} to {end:.1f} m, and nothing was disturbed then"
                )

    def _match(
        self,
        rule: str,
        gauge: str,
        rows: list[dict[str, Any]],
        gaps: list[tuple[float, float]],
        pieces: list[_Piece],
        what: str,
    ) -> None:
        pieces = sorted(pieces, key=lambda p: p.start)
        first = 0
        for row in rows:
            low, high = row["from"], row["to"]
            if any(a < high + EDGE and b > low - EDGE for a, b in gaps):
                self._verdict.counts[f"{what}s: flaws in a told gap"] += 1
                continue
            shown = row[f"shown_{gauge}"]
            if shown is not None and shown < OVER * self._header["limit"]:
                self._verdict.counts[f"{what}s: flaws too small to judge"] += 1
                continue
            while first < len(pieces) and pieces[first].end < low - 50.0:
                first += 1
            met, perhaps = [], False
            for piece in pieces[first:]:
                if piece.start > high + MEETS + DOUBT:
                    break
                if piece.start <= high + MEETS and piece.end >= low - MEETS:
                    met.append(piece)
                elif piece.start - piece.doubt <= high + MEETS and piece.end + piece.doubt >= low - MEETS:
                    perhaps = True
            self._verdict.counts[f"{what}s: flaws judged"] += 1
            where = f"{rule}: the {row['kind']} at {row['metre']:.2f} m"
            if not met and perhaps:
                self._verdict.counts[f"{what}s: located by their stated uncertainty only"] += 1
            elif not met:
                seen = "was shown" if shown is not None else "was never read"
                self._verdict.wrong["told once"].append(f"{where} {seen}, has no {what} and lies in no told gap")
            elif _told_again(met, [(r["from"], r["to"]) for r in rows if r is not row]):
                self._verdict.wrong["told once"].append(f"{where} has {len(met)} {what}s: {', '.join(p.id for p in met)}")
            elif len({p.id for p in met}) > 1:
                self._verdict.counts[f"{what}s: within reach of a neighbour's"] += 1

    def _on_no_flaw(self, rule: str, gaps: list[tuple[float, float]], pieces: list[_Piece]) -> None:
        kind = RULES[rule][2]
        truth = [(r["from"], r["to"]) for r in self._truth if r["kind"] == kind]
        for piece in pieces:
            if any(a < piece.end + EDGE and b > piece.start - EDGE for a, b in gaps):
                continue
            passed = self._time(piece.end, RULES[rule][1])
            if any(a - 1.0 < passed < b + 1.0 for a, b in self._disturbed):
                continue  # Modbus TCP has no checksum: a damaged value within its valid range looks like any other
            reach = MEETS + piece.doubt
            if not any(a <= piece.end + reach and b >= piece.start - reach for a, b in truth):
                self._verdict.wrong["told once"].append(
                    f"{rule}: {piece.id} tells a {kind} at {piece.start:.2f} m, where there is none"
                )


def _told_again(met: list[_Piece], others: list[tuple[float, float]]) -> bool:
    """Whether two events tell one flaw: they are about the same cable, or neither can be about one of the `others`.

    After a freeze one read stands for metres of cable with several flaws in it, and may end a hand's breadth before the next one.
    """
    for n, one in enumerate(met):
        for two in met[n + 1 :]:
            if one.id == two.id:
                continue
            if one.start < two.end and two.start < one.end:
                return True
            if not any(a <= p.end + MEETS and b >= p.start - MEETS for p in (one, two) for a, b in others):
                return True
    return False


def _merged(pieces: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for start, end in sorted(pieces):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


# ---- spark faults and cuts: their counters keep them over any gap --------------------------------------------------------------


def _sparks(
    truth: Sequence[dict[str, Any]], events: Iterable[dict[str, Any]], watched: tuple[float, float], verdict: Verdict
) -> None:
    header = truth[0]
    speed = header["speed"] / 60.0
    low, high = (
        header["counter_start"] + speed * (t - header["start"]) + header["reference"] - header["spark"] for t in watched
    )
    holes = sorted(r["metre"] for r in truth if r["kind"] == "pinhole" and r["counted"])
    told = sorted(
        [
            e["data"]["from"] - SPARK - _doubt(e["data"]),
            e["data"]["to"] + SPARK + _doubt(e["data"]),
            e["data"]["faults"],
            e["id"],
        ]
        for e in events
        if e["type"] == "metrepost.spark.v1"
    )
    # earliest end first: each hole takes the event that can wait least
    for hole in holes:
        fits = [t for t in told if t[0] <= hole <= t[1] and t[2] > 0]
        if fits:
            min(fits, key=lambda t: t[1])[2] -= 1
        if low < hole < high:
            verdict.counts["spark faults judged"] += 1
            if not fits:
                verdict.wrong["told once"].append(f"the spark fault at {hole:.2f} m has no event of its own")
    for start, end, left, name in told:
        if left and low < start and end < high:
            verdict.wrong["told once"].append(
                f"{name} tells {left} spark faults more than there are from {start:.1f} to {end:.1f} m"
            )


def _cuts(
    truth: Sequence[dict[str, Any]], events: Iterable[dict[str, Any]], watched: tuple[float, float], verdict: Verdict
) -> None:
    told = sorted((seconds(e["time"]), e["id"]) for e in events if e["type"] == "metrepost.cut.v1")
    cuts = sorted(r["time"] for r in truth if r["kind"] == "cut")
    for n, cut in enumerate(cuts):
        until = cuts[n + 1] if n + 1 < len(cuts) else float("inf")
        if not watched[0] < cut < watched[1] - 10.0:
            continue
        verdict.counts["cuts judged"] += 1
        mine = [name for time, name in told if cut - 0.5 <= time < until - 0.5]
        if len(mine) != 1:
            verdict.wrong["told once"].append(f"the cut at {cut:.1f} s has {len(mine)} events: {', '.join(mine) or 'none'}")
