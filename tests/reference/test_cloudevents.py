"""What arrives at a subscriber, read by the SDK of the CloudEvents project (package `cloudevents`, CNCF)."""

import asyncio
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cloudevents.core.exceptions import CloudEventValidationError
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from jsonschema import Draft202012Validator

from metrepost.publish.schema import schema_of, schemas
from support_broker import Broker, Recorder
from support_journal import ROOT, SOURCE, T0, alarm_event, note, rollup
from support_publish import publishing


def read(payload: bytes) -> CloudEvent:
    event = JSONFormat().read(CloudEvent, payload)
    assert isinstance(event, CloudEvent)
    return event


@pytest.mark.broker
async def test_rows_received_are_cloudevents(tmp_path: Path) -> None:
    """Attributes as the SDK sees them (CloudEvents 1.0.2, sections 3.1 and 3.2; content type as in its JSON format, 3)."""
    with Broker(tmp_path / "broker") as broker, Recorder(broker.port, ROOT + "#") as recorder:
        async with publishing(tmp_path / "state", broker.port) as p:
            await p.journal.commit([alarm_event(T0 + 0.5), note(), rollup(when=T0 + 60.0)])
            await asyncio.wait_for(p.journal.drained(), 5)
            await recorder.until(lambda ms: len(ms) >= 4)
            epoch = p.journal.epoch
    rows = [m for m in recorder.messages if m.topic != ROOT + "state"]
    assert len(rows) == 3
    made = schemas()
    for message in rows:
        assert message.content_type == JSONFormat.CONTENT_TYPE
        event = read(message.payload)
        topic = message.topic.removeprefix(ROOT)
        what = "rollup" if topic.startswith("rollup/") else topic.removeprefix("event/")
        stream = "rollup" if what == "rollup" else "event"
        assert event.get_specversion() == "1.0"
        assert event.get_source() == SOURCE
        assert event.get_type() == f"metrepost.{what}.v1"
        assert event.get_datacontenttype() == "application/json"
        assert event.get_id() == f"{stream}-{epoch}-{event.get_extension('sequence')}"
        assert isinstance(event.get_data(), dict)
        # what the SDK writes again says the same
        assert json.loads(JSONFormat().write(event)) | {"time": ""} == json.loads(message.payload) | {"time": ""}
        Draft202012Validator(made[schema_of(topic)]).validate(json.loads(message.payload))
    times = {read(m.payload).get_time() for m in rows}
    assert times == {datetime.fromtimestamp(t, UTC) for t in (T0 + 0.5, T0, T0 + 60.0)}


def test_the_sdk_would_refuse_a_wrong_one() -> None:
    """The check above can fail: without `source`, or with an extension name that is not allowed."""
    good = {"specversion": "1.0", "id": "1", "source": "/x", "type": "t"}
    read(json.dumps(good).encode())
    with pytest.raises(CloudEventValidationError):
        read(json.dumps({k: v for k, v in good.items() if k != "source"}).encode())
    with pytest.raises(CloudEventValidationError):
        read(json.dumps(good | {"wrong_name": "x"}).encode())
