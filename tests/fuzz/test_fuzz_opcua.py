"""Whatever a server puts into a DataValue: one reading, good with a finite number or saying why not."""

import math
from datetime import UTC, datetime

from asyncua import ua
from hypothesis import given
from hypothesis import strategies as st

from metrepost.endpoints.opcua_decode import Moment, decode, overflowed
from metrepost.endpoints.opcua_subscription import status_name
from metrepost.endpoints.plan import OpcUaPoint
from metrepost.readings import BAD
from support_oracles import examples

NOW = 1_800_000_000.0

scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**63), 2**64 - 1),
    st.floats(),
    st.text(max_size=20),
    st.binary(max_size=20),
    st.datetimes(),
    st.uuids(),
    st.just(ua.NodeId(1, 2)),
    st.just(ua.LocalizedText("4.8")),
    st.just(ua.StatusCode(0x80000000)),
    st.just(ua.Range(1.0, 2.0)),
)


class Wire:
    """A variant as a careless server may send it: the library's own refuses to be made with some of these."""

    def __init__(self, value: object) -> None:
        self.Value = value


variants = st.one_of(st.none(), scalars.map(Wire), st.lists(scalars, max_size=4).map(Wire), scalars.map(Wire).map(Wire))
stamps = st.one_of(st.none(), st.datetimes(timezones=st.just(UTC)), st.just(datetime(1601, 1, 1, tzinfo=UTC)))
values = st.builds(
    ua.DataValue,
    variants,
    StatusCode=st.one_of(st.none(), st.integers(0, 2**32 - 1).map(ua.StatusCode)),
    SourceTimestamp=stamps,
    ServerTimestamp=stamps,
)
numbers = st.floats(allow_nan=False, allow_infinity=False)


@examples(300)
@given(values, numbers, numbers, st.sampled_from([-math.inf, NOW]), st.floats(0, 1e6), st.floats(0, 1e6))
def test_any_data_value_becomes_a_reading(
    value: ua.DataValue, scale: float, offset: float, before: float, backlog: float, doubt: float
) -> None:
    moment = Moment(NOW, 0.1, before, backlog, doubt)
    reading = decode(OpcUaPoint("s.t", "i=1", scale=scale, offset=offset), value, moment, status_name)
    assert math.isfinite(reading.value) or (math.isnan(reading.value) and reading.quality is BAD and reading.reason)
    assert math.isfinite(reading.time)
    assert reading.time <= NOW + 1.0, "never far in the future"
    assert reading.time_uncertainty >= 0
    if value.StatusCode is not None:
        # OPC 10000-4, StatusCode: info type DataValue is bit 10, its overflow bit is bit 7 (from memory)
        code = value.StatusCode.value
        assert overflowed(code) is bool(code >> 10 & 1 and code >> 7 & 1)
