"""Figures as OpenMetrics text (the `prometheus_client` library writes it)."""

from collections.abc import Callable, Iterable, Iterator, Sequence

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from .figures import LineFigures

CONTENT_TYPE = CONTENT_TYPE_LATEST
"""Of the text."""

Family = GaugeMetricFamily | CounterMetricFamily
Row = tuple[Sequence[str], float]


class _Figures(Collector):
    def __init__(self, lines: Sequence[LineFigures]) -> None:
        self._lines = lines

    def collect(self) -> Iterator[Metric]:
        yield InfoMetricFamily(
            "metrepost", "Version of the daemon.", {"version": self._lines[0].version if self._lines else ""}
        )
        for name, text, of in _GAUGES:
            yield self._fill(GaugeMetricFamily(name, text, labels=("line",)), lambda f, of=of: [((), of(f))])  # type: ignore[misc]
        for name, text, of in _COUNTERS:
            yield self._fill(CounterMetricFamily(name, text, labels=("line",)), lambda f, of=of: [((), of(f))])  # type: ignore[misc]
        yield self._fill(
            GaugeMetricFamily("metrepost_backlog_rows", "Rows that wait for the broker.", labels=("line", "stream")),
            lambda f: [((stream,), n) for stream, n in f.backlog.items()],
        )
        yield self._fill(
            CounterMetricFamily("metrepost_dropped", "What had to be dropped for want of room.", labels=("line", "what")),
            lambda f: [((what,), n) for what, n in f.dropped.items()],
        )
        yield self._fill(
            CounterMetricFamily("metrepost_acts", "What came to the doors, by its outcome.", labels=("line", "outcome")),
            lambda f: [((outcome,), n) for outcome, n in f.acts.items()],
        )
        yield self._fill(
            GaugeMetricFamily(
                "metrepost_alarms", "Alarms by class, priority and state.", labels=("line", "class", "priority", "state")
            ),
            lambda f: [((s.class_, s.priority, s.state), s.alarms) for s in f.alarms],
        )
        endpoint = ("line", "endpoint")
        yield self._fill(
            GaugeMetricFamily("metrepost_endpoint_up", "1 while the device answers.", labels=endpoint),
            lambda f: [((name,), e.up) for name, e in f.endpoints.items()],
        )
        for what in ("failures", "reconnects", "missed_deadlines"):
            yield self._fill(
                CounterMetricFamily(f"metrepost_endpoint_{what}", f"{what.replace('_', ' ')} of an endpoint.", labels=endpoint),
                lambda f, what=what: [((name,), getattr(e, what)) for name, e in f.endpoints.items()],  # type: ignore[misc]
            )
        yield self._fill(
            CounterMetricFamily("metrepost_endpoint_requests", "Requests to an endpoint.", labels=endpoint),
            lambda f: [((name,), n) for name, n in f.requests.items()],
        )
        yield self._fill(
            GaugeMetricFamily("metrepost_endpoint_round_trip_seconds", "Last round trip.", unit="seconds", labels=endpoint),
            lambda f: [((name,), n) for name, n in f.round_trip.items()],
        )

    def _fill(self, family: Family, rows: Callable[[LineFigures], Iterable[Row]]) -> Family:
        for figures in self._lines:
            for labels, value in rows(figures):
                family.add_metric([figures.line, *labels], float(value))
        return family


_GAUGES: tuple[tuple[str, str, Callable[[LineFigures], float]], ...] = (
    ("metrepost_running_seconds", "Time since the daemon started.", lambda f: f.running_for),
    ("metrepost_core_age_seconds", "Time since the core took its last tick.", lambda f: f.core_age),
    ("metrepost_inbox_inputs", "Inputs that wait for the core.", lambda f: f.inbox),
    ("metrepost_uncommitted_outputs", "Outputs that wait for the journal.", lambda f: f.uncommitted),
    ("metrepost_journal_up", "1 while the journal writes.", lambda f: not f.journal_trouble),
    ("metrepost_broker_up", "1 while the broker is connected.", lambda f: f.broker_connected),
    ("metrepost_tasks", "Tasks of the event loop, of all lines of the process.", lambda f: f.tasks),
    ("metrepost_doors_up", "1 while every door of the line file is open.", lambda f: not f.door_trouble),
    ("metrepost_messages_queued", "Messages to people that wait.", lambda f: f.messages_queued),
)
_COUNTERS: tuple[tuple[str, str, Callable[[LineFigures], float]], ...] = (
    ("metrepost_inputs", "Readings and acts that the core took.", lambda f: f.inputs),
    ("metrepost_delivered_rows", "Rows that the broker acknowledged.", lambda f: f.delivered),
    ("metrepost_unheard_rows", "Rows that the broker took although nobody had subscribed.", lambda f: f.unheard),
    ("metrepost_refused_rows", "Rows that the broker refused.", lambda f: f.refused),
    ("metrepost_lost_rows", "Rows that were declared lost.", lambda f: f.lost),
    ("metrepost_sent_readings", "Readings sent at QoS 0.", lambda f: f.sent_readings),
    ("metrepost_dropped_readings", "Readings that were not sent.", lambda f: f.dropped_readings),
    ("metrepost_messages_delivered", "Messages that people's channels took.", lambda f: f.messages_delivered),
    ("metrepost_messages_given_up", "Messages that no channel took in time.", lambda f: f.messages_given_up),
)


def openmetrics(lines: Sequence[LineFigures]) -> bytes:
    """OpenMetrics text of every line."""
    return bytes(generate_latest(_Figures(lines)))  # type: ignore[no-untyped-call]
