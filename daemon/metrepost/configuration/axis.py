"""The length axis, the line states that hang on its speed, stretches, and the take-up."""

from ..line.plan import AxisPlan, Registration, StatePlan, StretchPlan, TakeUpPlan
from ..readings import Tag
from ..readings.units import Extent
from .lookup import Lookup, in_unit_of
from .models.line_tables import LengthTable, LineTable, TakeUpTable
from .pieces import Pieces

_FASTEST = 50.0
"""m/s. No line of this kind comes near it: a larger `max_speed` is m/s written for m/min."""
_DIGITS = {"int16": 15, "uint16": 16, "int32": 31, "uint32": 32}
"""Bits of a counter's type that count upwards."""


def resolve_axis(pieces: Pieces, lookup: Lookup) -> AxisPlan | None:
    """The axis; None when the line has no [length], or when it is refused."""
    document, table = pieces.document, pieces.length
    if table is None:
        return None
    counter = lookup.tag(table.counter, document, ("length", "counter"))
    speed = lookup.tag(table.speed, document, ("length", "speed"))
    if not pieces.has("length", "counter") and not pieces.has("length", "speed"):
        document.fault(("length",), "the axis needs a counter (preferred) or a speed, the name of a tag")
    plan = AxisPlan(
        counter=counter.name if counter else "",
        speed=speed.name if speed else "",
        counter_to_m=in_unit_of(counter, "m", "a length", document, ("length", "counter")) if counter else 1.0,
        speed_to_mps=in_unit_of(speed, "m/s", "a speed", document, ("length", "speed")) if speed else 1.0 / 60.0,
        reference=_reference(pieces, lookup, table, counter or speed),
        wraps_at=table.wraps_at or 0.0,
        resolution=table.resolution,
        max_speed=table.max_speed,
        reverse_limit=table.reverse_limit,
        registration=Registration(table.registration.length, table.registration.share, table.registration.time),
    )
    _check_sizes(pieces, table, plan)
    return plan


def _reference(pieces: Pieces, lookup: Lookup, table: LengthTable, tag: Tag | None) -> float:
    """Position of the station whose metre the counter gives; the counter's own station when none is named."""
    if table.reference is not None:
        station = lookup.station(table.reference, pieces.document, ("length", "reference"))
        return station.position if station else 0.0
    return pieces.stations[tag.station].position if tag else 0.0


def _check_sizes(pieces: Pieces, table: LengthTable, plan: AxisPlan) -> None:
    document = pieces.document
    if table.max_speed > _FASTEST:
        document.fault(
            ("length", "max_speed"), f"{table.max_speed * 60:g} m/min is no line speed; is m/s written where m/min is meant?"
        )
    if table.wraps_at is not None and not pieces.has("length", "counter"):
        document.fault(("length", "wraps_at"), "only a counter wraps, and the axis has none")
    if table.wraps_at is not None and table.wraps_at <= 1000 * table.resolution:
        document.fault(
            ("length", "wraps_at"),
            f"a counter of {table.resolution:g} m steps that wraps at {table.wraps_at:g} m would be lost in no time",
        )
    if table.resolution > 1.0:
        document.fault(
            ("length", "resolution"),
            f"{table.resolution:g} m is too coarse for an axis by the metre",
        )
    written = pieces.tags.get(table.counter or "")
    if written is None or table.wraps_at is None or written.table.type not in _DIGITS:
        return
    top = 2 ** _DIGITS[written.table.type] * abs(written.table.scale or 1.0) * plan.counter_to_m
    if table.wraps_at > top * (1 + 1e-9):
        document.fault(
            ("length", "wraps_at"),
            f"{written.name} is {written.table.type} and holds less than {top:g} m: it wraps there, not at {table.wraps_at:g} m",
        )


def resolve_state(pieces: Pieces, lookup: Lookup) -> StatePlan:
    """When the line is stopped, threading, producing."""
    document, line = pieces.document, pieces.line
    if line is None:
        return StatePlan()
    threading = lookup.tag(line.threading, document, ("line", "threading"))
    emergency = lookup.tag(line.emergency_stop, document, ("line", "emergency_stop"))
    state = StatePlan(
        standstill=line.standstill,
        threading=threading.name if threading else "",
        emergency_stop=emergency.name if emergency else "",
    )
    producing = line.producing
    if producing is None:
        return state
    path = ("line", "producing")
    if not _has_axis(pieces):
        document.fault(path, "without a [length] table the line has no speed to tell producing by")
    if producing.hysteresis >= producing.speed_above:
        document.fault(
            (*path, "hysteresis"), "the hysteresis reaches down to a standstill; it must be smaller than speed_above"
        )
    if producing.speed_above <= line.standstill:
        document.fault((*path, "speed_above"), f"producing would begin at or below standstill ({line.standstill * 60:g} m/min)")
    if pieces.length is not None and producing.speed_above >= pieces.length.max_speed:
        document.fault(
            (*path, "speed_above"), f"the line never runs faster than max_speed ({pieces.length.max_speed * 60:g} m/min)"
        )
    return StatePlan(
        standstill=line.standstill,
        producing_above=producing.speed_above,
        producing_hysteresis=producing.hysteresis,
        producing_for=producing.for_ if producing.for_ is not None else Extent(),
        threading=state.threading,
        emergency_stop=state.emergency_stop,
    )


def _has_axis(pieces: Pieces) -> bool:
    return "length" in pieces.document.data


def resolve_stretches(pieces: Pieces) -> dict[str, StretchPlan]:
    """Cable spoilt by happenings at the die, by cause."""
    line: LineTable | None = pieces.line
    if line is None:
        return {}
    plans: dict[str, StretchPlan] = {}
    for cause in type(line.stretches).model_fields:
        table = getattr(line.stretches, cause)
        if table is not None:
            plans[cause] = StretchPlan(table.before, table.after, table.as_)
    path = ("line", "stretches")
    if plans and not _has_axis(pieces):
        pieces.document.fault(path, "stretches are lengths of cable, and the line has no [length] table")
    if "emergency_stop" in plans and not pieces.has("line", "emergency_stop"):
        pieces.document.fault((*path, "emergency_stop"), "no tag tells an emergency stop; name it in [line] emergency_stop")
    return plans


def resolve_take_up(pieces: Pieces, lookup: Lookup) -> TakeUpPlan | None:
    """Where cable is cut; None when the line has no [take_up]."""
    document, table = pieces.document, pieces.take_up
    if table is None:
        return None
    if not _has_axis(pieces):
        document.fault(("take_up",), "reels are told by the metre, and the line has no [length] table")
    position = _take_up_position(pieces, lookup, table)
    cut = lookup.tag(table.cut, document, ("take_up", "cut"))
    reel = lookup.tag(table.reel, document, ("take_up", "reel"))
    accumulator = lookup.tag(table.accumulator, document, ("take_up", "accumulator"))
    content = in_unit_of(accumulator, "m", "a length", document, ("take_up", "accumulator")) if accumulator else 1.0
    return TakeUpPlan(
        position=position,
        cut=cut.name if cut else "",
        reel=reel.name if reel else "",
        accumulator=accumulator.name if accumulator else "",
        accumulator_to_m=content,
    )


def _take_up_position(pieces: Pieces, lookup: Lookup, table: TakeUpTable) -> float:
    document = pieces.document
    if pieces.has("take_up", "position") == pieces.has("take_up", "station"):
        document.fault(("take_up",), "the take-up needs a position, or a station that stands there, and not both")
        return 0.0
    if table.position is not None:
        return table.position
    station = lookup.station(table.station, document, ("take_up", "station")) if table.station is not None else None
    return station.position if station else 0.0
