"""Topics below the root of a line (pure). The root, `LinePlan.root`, ends with a slash and is put in front by the publisher."""

from ..events import AlarmState, Event, ReelState, Rollup

STATE = "state"
LOAD = "load"


def _local(station: str, tag: str) -> str:
    """The tag without its station, whether it came as ``station.tag`` or alone."""
    return tag.removeprefix(f"{station}.")


def event(item: Event) -> str:
    """``event/<kind>``"""
    return f"event/{item.data.kind}"


def rollup(data: Rollup) -> str:
    """``rollup/<span>/<station>/<tag>``"""
    return f"rollup/{data.span}/{data.station}/{_local(data.station, data.tag)}"


def alarm(state: AlarmState) -> str:
    """``alarm/<rule>/<limit>``"""
    return f"alarm/{state.rule}/{state.limit}"


def alarm_of(alarm_id: str) -> str:
    """The topic of an alarm by its id, ``<rule>.<limit>``."""
    rule, _, limit = alarm_id.rpartition(".")
    return f"alarm/{rule}/{limit}"


def reel(state: ReelState) -> str:
    """``reel/current`` or ``reel/last``"""
    return f"reel/{state.which}"


def reading(station: str, tag: str) -> str:
    """``reading/<station>/<tag>``"""
    return f"reading/{station}/{_local(station, tag)}"
