"""Guided by coverage, by command only: ``pip install atheris``, then ``python tests/fuzz/by_coverage.py -max_total_time=600``.

Bytes of devices against the check of Modbus frames, TCP and serial, and against the reading of MQTT messages: anything that is
raised ends the run and leaves the bytes in a file `crash-…`.
"""

import importlib
import math
import sys
from typing import Any

atheris: Any = importlib.import_module("atheris")  # without types, and in no list of dependencies
with atheris.instrument_imports(include=["metrepost.endpoints", "jsonpointer"]):
    from metrepost.endpoints import modbus_frame, modbus_rtu_frame
    from metrepost.endpoints.modbus_frame import Expected
    from metrepost.endpoints.mqtt_decode import Message, TopicDecoder
    from metrepost.endpoints.plan import MqttPoint

ASKED = Expected(7, 1, 3, 4)
REQUEST = bytes.fromhex("01 03 0000 0002 C40B")
MESSAGES = TopicDecoder(
    [MqttPoint("g.x", "t"), MqttPoint("g.y", "t", "/d", "/q", None, "/t"), MqttPoint("g.z", "t", "/0/d")], 0.1
)


def look(received: bytes) -> None:
    """One input."""
    modbus_frame.scan(received, ASKED, (6,))
    modbus_frame.scan(received, None, ())
    modbus_rtu_frame.scan(received, ASKED)
    modbus_rtu_frame.late(received, [ASKED])
    if received:
        modbus_rtu_frame.diagnose(received, ASKED, REQUEST)
    for reading in MESSAGES.readings(Message(received, 1_790_000_000.0)):
        assert math.isfinite(reading.value) or reading.reason


if __name__ == "__main__":
    atheris.Setup(sys.argv, look)
    atheris.Fuzz()
