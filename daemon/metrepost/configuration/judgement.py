"""What `metrepost check` says of a line that loads: pure judgement of its settings, nothing is connected to.

Each function gives notes of one kind; `judge` gives them all. Rule kinds are looked at by their attributes, so that kinds of any
author are judged as far as they have them.
"""

from collections.abc import Iterable, Mapping
from typing import Literal

import msgspec

from ..endpoints.modbus_plan import plan as polls_of
from ..endpoints.modbus_rtu_frame import FRAME, REQUEST
from ..endpoints.plan import Endpoint, ModbusEndpoint, MqttEndpoint, OpcUaEndpoint
from ..line.plan import LinePlan
from ..readings import Hold, Tag
from ..readings.units import Extent, same_dimension
from ..rollups.buckets import UNCUT
from ..rules.contract import RuleSettings
from .plan import LoadedLine

SURE = 0.02
"""Metres added to twice the cable between two reads: the shortest `max_length` that tells a drop from a lump (design of the
wet gauge)."""
SHORT_FLAW = 0.15
"""Metres. Flaws up to this length are what `flaw` rules are for: longer delays do not see them."""
FULL_LINE = 0.7
"""Share of a serial line's time above which a warning is given: devices need a time of their own before they answer."""
CELL_BYTES = 235
"""Bytes that one metre of one tag takes in a snapshot."""
LARGE_STATE = 20.0
"""MB of snapshots above which a warning is given: half a second of work each time."""
BUSY = 200.0
"""Requests per second at one device above which a warning is given: with one request in flight, 5 ms for each."""

Rules = Iterable[tuple[str, RuleSettings]]


class Note(msgspec.Struct, frozen=True):
    """One thing said of a line. `about` names the endpoint, station, rule or file."""

    level: Literal["info", "warning"]
    about: str
    text: str

    def __str__(self) -> str:
        return f"{self.level}: {self.about}: {self.text}"


def judge(line: LoadedLine) -> list[Note]:
    """Everything there is to say of a loaded line."""
    return [
        *poll_load(line.endpoints),
        *coverage(line.plan),
        *telling_drops(line.rules, line.plan),
        *long_delays(line.rules, line.plan),
        *without_response(line.rules),
        *reel_state(line.plan),
        *(Note("info", f"rule {name}", f"overridden for this line: {', '.join(keys)}") for name, keys in line.overridden),
        *open_secrets(line),
        *clear_text(line),
    ]


def reel_state(plan: LinePlan) -> list[Note]:
    """A warning where the metres that reels are made of are so many that keeping them costs."""
    if plan.take_up is None or not plan.take_up.cut:
        return []
    tags = len(plan.rollups.tags if plan.rollups.reels is None else plan.rollups.reels)
    size = tags * UNCUT * CELL_BYTES / 1e6
    if size <= LARGE_STATE:
        return []
    text = (
        f"reels are rolled up for {tags} tags, each with {UNCUT} single metres that are not cut yet: {size:.0f} MB of state, written "
        "again and again; name the tags that belong into the reel record in reels"
    )
    return [Note("warning", "rollups", text)]


def poll_load(endpoints: Iterable[Endpoint]) -> list[Note]:
    """Requests per second and values per second of each endpoint."""
    notes: list[Note] = []
    for endpoint in endpoints:
        if isinstance(endpoint, OpcUaEndpoint):
            notes.append(Note("info", f"endpoint {endpoint.name}", _opcua_load(endpoint)))
            continue
        if isinstance(endpoint, MqttEndpoint):
            topics = len({point.topic for point in endpoint.points})
            text = f"{topics} topics subscribed to for {len(endpoint.points)} tags, a message expected every {endpoint.publish:g} s"
            notes.append(Note("info", f"endpoint {endpoint.name}", text))
            continue
        requests = sum(len(poll.requests) / poll.period for poll in polls_of(endpoint))
        blocks = sum(len(poll.requests) for poll in polls_of(endpoint))
        values = sum(1 / point.poll for point in endpoint.points)
        text = f"{requests:.4g} requests/s in {blocks} blocks for {values:.4g} values/s"
        notes.append(Note("info", f"endpoint {endpoint.name}", text))
        if endpoint.serial is not None:
            notes.append(_line_load(endpoint))
        fastest = min((point.poll for point in endpoint.points), default=0.0)
        if requests > BUSY:
            each = 1000.0 / requests
            advice = f"the device must answer each within {each:.2g} ms; poll slower, or raise max_gap so that blocks join"
            notes.append(Note("warning", f"endpoint {endpoint.name}", f"{requests:.4g} requests/s are many: {advice}"))
        if 0.0 < endpoint.timeout < fastest:
            late = f"timeout {endpoint.timeout:g} s is shorter than the fastest poll, {fastest:g} s; a late answer is lost for nothing"
            notes.append(Note("info", f"endpoint {endpoint.name}", late))
    return notes


def _line_load(endpoint: ModbusEndpoint) -> Note:
    """How much of a serial line's time the frames and the silence between them take."""
    line = endpoint.serial
    assert line is not None
    share = sum(
        ((REQUEST + FRAME + request.size) * line.character + 2 * line.silence) / poll.period
        for poll in polls_of(endpoint)
        for request in poll.requests
    )
    about = f"endpoint {endpoint.name}"
    text = f"frames take {share:.0%} of the line's time at {line.baud} bit/s, without the devices' own delays"
    if share <= FULL_LINE:
        return Note("info", about, text)
    return Note("warning", about, f"{text}; poll slower, raise max_gap so that blocks join, or raise baud")


def _opcua_load(endpoint: OpcUaEndpoint) -> str:
    if endpoint.mode == "poll":
        reads = sum(1 / poll for poll in {point.poll for point in endpoint.points})
        return f"{reads:.4g} read calls/s for {len(endpoint.points)} nodes"
    return f"{len(endpoint.points)} nodes subscribed to, published every {endpoint.publish * 1000:g} ms at most"


def coverage(plan: LinePlan) -> list[Note]:
    """The shortest flaw that each gauge is sure to see at `max_speed`, by what its tags hold."""
    if plan.axis is None:
        return []
    notes: list[Note] = []
    for station in plan.stations.values():
        if station.aperture == 0.0:
            continue  # no gauge: it looks at no cable
        seen: dict[tuple[str, float], list[str]] = {}
        for tag in plan.tags.values():
            if tag.station == station.name and looks_at_cable(tag):
                seen.setdefault((_held(tag), sure_to_see(tag, station.aperture, plan.axis.max_speed)), []).append(
                    tag.local_name
                )
        for (held, length), names in seen.items():
            who = ", ".join(names)
            speed = f"at {plan.axis.max_speed * 60:g} m/min"
            if length > 0.0:
                text = f"{speed} a flaw of {length * 1000:.4g} mm or longer is sure to be seen ({held}: {who})"
                text += "; a shorter one may pass between readings"
            else:
                text = f"{speed} no piece of cable goes by unseen ({held}: {who})"
            notes.append(Note("info", f"station {station.name}", text))
    return notes


def _held(tag: Tag) -> str:
    if tag.hold is Hold.INSTANT:
        return "instant"
    return f"{tag.hold.value} since read" if tag.since_read else f"{tag.hold.value} of {tag.window * 1000:g} ms"


def looks_at_cable(tag: Tag) -> bool:
    """Whether a tag measures the cable from metre to metre: a diameter or a capacitance, not a count or a voltage."""
    return any(same_dimension(tag.unit, unit) for unit in ("mm", "pF/m", "ohm"))


def sure_to_see(tag: Tag, aperture: float, speed: float) -> float:
    """Metres of the longest piece that two readings of a tag may leave between them at `speed` (m/s); 0.0 when there is none."""
    if tag.since_read:
        return 0.0
    return max(0.0, speed * (tag.interval - tag.window) - aperture)


def told_apart_up_to(max_length: float, interval: float) -> float:
    """m/s up to which an excursion of a drop can be told from a lump: ``max_length ≥ 2 × speed × interval + 20 mm``."""
    return max(0.0, (max_length - SURE) / (2.0 * interval)) if interval > 0.0 else 0.0


def telling_drops(rules: Rules, plan: LinePlan) -> list[Note]:
    """For each rule with a witness: the speed up to which water can be told from lumps."""
    notes: list[Note] = []
    for name, settings in rules:
        witness = getattr(settings, "witness", None)
        max_length = _metres(getattr(witness, "max_length", None))
        reads = (*settings.tags(), *getattr(witness, "reads", ()))
        intervals = [plan.tags[tag].interval for tag in reads if tag in plan.tags]
        if witness is None or max_length is None or not intervals:
            continue
        speed = told_apart_up_to(max_length, max(intervals))
        stated = getattr(witness, "up_to_speed", None)
        used = min(speed, stated) if isinstance(stated, float) else speed
        text = f"drops are told from lumps up to {used * 60:.4g} m/min; above it every excursion raises the alarm"
        if isinstance(stated, float) and stated < speed:
            text += f" (as the rule says; readings would allow {speed * 60:.4g} m/min)"
        notes.append(Note("info", f"rule {name}", text))
        if plan.axis is not None and used < plan.axis.max_speed:
            most = plan.axis.max_speed * 60
            notes.append(
                Note(
                    "warning", f"rule {name}", f"the line may run at {most:g} m/min: faster than that, water will raise alarms"
                )
            )
        instant = [tag for tag in getattr(witness, "reads", ()) if tag in plan.tags and plan.tags[tag].hold is Hold.INSTANT]
        if instant:
            text = f"the witness reads instant values ({', '.join(instant)}): with gaps between readings it can rarely clear an excursion"
            notes.append(Note("warning", f"rule {name}", f"{text}; a peak-hold register is better"))
    return notes


def _metres(value: object) -> float | None:
    if isinstance(value, Extent):
        return value.metres
    return float(value) if isinstance(value, float | int) else None


def long_delays(rules: Rules, plan: LinePlan) -> list[Note]:
    """Bands on the cable whose window or delay is longer than a short flaw, at stations where no `flaw` rule looks for those.

    A warning where the gauge has registers that would show them (max or min), else for information.
    """
    rules = list(rules)
    looked_at = {tag.partition(".")[0] for _, settings in rules if settings.kind == "flaw" for tag in settings.tags()}
    speed = plan.axis.max_speed if plan.axis else 0.0
    notes: list[Note] = []
    for name, settings in rules:
        tag = plan.tags.get(settings.tags()[0]) if settings.kind == "band" and settings.tags() else None
        if tag is None or tag.station in looked_at or not looks_at_cable(tag) or plan.stations[tag.station].aperture == 0.0:
            continue
        extents = {key: extent for key in ("over", "on_delay") if isinstance(extent := getattr(settings, key, None), Extent)}
        long = [key for key, extent in extents.items() if (extent.metres or extent.seconds * speed) > SHORT_FLAW]
        if not long:
            continue
        peaks = any(other.station == tag.station and other.hold in (Hold.MAX, Hold.MIN) for other in plan.tags.values())
        told = " and ".join(f"{key} is {extents[key]}" for key in long)
        text = f"{told}: flaws shorter than that are not seen, and no flaw rule reads {tag.station}"
        notes.append(Note("warning" if peaks else "info", f"rule {name}", text))
    return notes


def without_response(rules: Rules) -> list[Note]:
    """Alarms that do not tell the operator what to do: by ISA-18.2 an alarm without a response is none."""
    notes: list[Note] = []
    for name, settings in rules:
        limits: Mapping[str, object] = settings.limits()
        if settings.blind is not None:
            limits = {**limits, "blind": settings.blind}
        bare = [limit for limit, text in limits.items() if not getattr(text, "response", "")]
        if bare:
            alarms = ", ".join(f"{name}.{limit}" for limit in bare)
            notes.append(
                Note(
                    "warning", f"rule {name}", f"no response is written for {alarms}: say what the person who is told shall do"
                )
            )
    return notes


def open_secrets(line: LoadedLine) -> list[Note]:
    """Files with secrets that others than their owner and group can read."""
    return [
        Note("warning", str(secret.path), f"holds a secret and everybody may read it (mode {secret.mode:03o}); chmod 640 it")
        for secret in line.secret_files
        if secret.mode & 0o004
    ]


def clear_text(line: LoadedLine) -> list[Note]:
    """Connections on which passwords or readings travel in the clear, other than within this machine."""
    notes: list[Note] = []
    if line.mqtt.password and not line.mqtt.tls and not _here(line.mqtt.host):
        notes.append(Note("warning", "mqtt", "the password travels in the clear; use mqtts://"))
    for endpoint in line.endpoints:
        if isinstance(endpoint, MqttEndpoint):
            if endpoint.password and not endpoint.tls and not _here(endpoint.host):
                text = "the password travels in the clear; use mqtts://"
                notes.append(Note("warning", f"endpoint {endpoint.name}", text))
            continue
        if isinstance(endpoint, ModbusEndpoint) or endpoint.security.policy != "None":
            continue
        if not _here(endpoint.address.partition("://")[2].partition("/")[0].rpartition(":")[0]):
            text = "no security policy: anybody on the network between may read and forge values"
            notes.append(Note("info", f"endpoint {endpoint.name}", text))
    return notes


def _here(host: str) -> bool:
    return host.strip("[]") in ("127.0.0.1", "::1", "localhost")
