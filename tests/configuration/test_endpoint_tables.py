"""Endpoints of every protocol as files write them: what they become, and what is refused with which words."""

import pytest

from metrepost.configuration.judgement import judge
from metrepost.endpoints.plan import ModbusEndpoint, MqttEndpoint, MqttPoint, SerialLine
from support_configuration import GOOD, changed, faults_of, loaded, written

SERIAL = 'protocol = "modbus-rtu"\naddress = "/dev/ttyUSB0"'
TCP = 'protocol = "modbus-tcp"\naddress = "127.0.0.1:5020"'


def on_serial(more: str = "") -> str:
    return changed(GOOD, TCP, f"{SERIAL}\n{more}")


def modbus(text: str, tmp_path) -> ModbusEndpoint:
    endpoint = loaded(written(tmp_path, text)).endpoints[0]
    assert isinstance(endpoint, ModbusEndpoint)
    return endpoint


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ("", SerialLine("/dev/ttyUSB0", 19200, "even", 1)),
        ('parity = "none"', SerialLine("/dev/ttyUSB0", 19200, "none", 2)),
        ('parity = "none"\nstop_bits = 1\nbaud = 9600', SerialLine("/dev/ttyUSB0", 9600, "none", 1)),
    ],
)
def test_a_serial_line_has_the_settings_of_the_standard_unless_told_otherwise(keys, line, tmp_path):
    """19200 bit/s, even parity, one stop bit, two without parity: MODBUS over Serial Line V1.02, 2.5.1 (from memory)."""
    endpoint = modbus(on_serial(keys), tmp_path)
    assert (endpoint.framing, endpoint.serial) == ("rtu", line)


def test_a_gateway_that_carries_rtu(tmp_path):
    endpoint = modbus(changed(GOOD, '"modbus-tcp"', '"modbus-rtu-tcp"'), tmp_path)
    assert (endpoint.framing, endpoint.serial, endpoint.host, endpoint.port) == ("rtu", None, "127.0.0.1", 5020)


def test_tags_and_defaults_of_stations_name_their_device_and_may_have_the_same_registers(tmp_path):
    text = changed(on_serial("unit_id = 7"), "y = { register = 202 }", "y = { register = 200, unit_id = 9 }")
    endpoint = modbus(changed(text, 'table = "holding" }', 'table = "holding", unit_id = 8 }'), tmp_path)
    units = {point.tag: endpoint.unit_of(point) for point in endpoint.points}
    assert (units["gauge.x"], units["gauge.y"], units["capstan.speed"]) == (7, 9, 8)


# (name, old text, new text, key path, part of the sentence, allowed)
REFUSED = [
    ("baud", "baud", "baud = 19201", "endpoint.gauges.baud", "not one of them", "115200"),
    ("parity", "baud", 'parity = "mark"', "endpoint.gauges.parity", "not one of them", "even"),
    ("stop bits", "baud", "stop_bits = 3", "endpoint.gauges.stop_bits", "not one of them", "1"),
    ("broadcast", "baud", "unit_id = 0", "endpoint.gauges.unit_id", "1", ""),
    ("reserved", "baud", "unit_id = 248", "endpoint.gauges.unit_id", "247", ""),
    ("broadcast of a tag", "register = 202", "register = 202, unit_id = 0", "station.gauge.tags.y.unit_id", "0 is broadcast", "1 to 247"),
    ("no key of TCP", "baud", "keepalive = 3", "endpoint.gauges.keepalive", "no such key", "stop_bits"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "old", "new", "key", "said", "allowed"), REFUSED, ids=[row[0] for row in REFUSED])
def test_what_is_refused_on_a_serial_line_says_what_is_allowed(name, old, new, key, said, allowed, tmp_path):
    text = on_serial(new) if old == "baud" else changed(on_serial(), old, new)
    (fault,) = [fault for fault in faults_of(written(tmp_path, text)) if fault.key_path == key]
    assert said in fault.wrong or said in fault.allowed
    assert allowed in ", ".join(fault.allowed) or not allowed


def test_one_serial_line_has_one_endpoint(tmp_path):
    second = f"[endpoint.more]\n{SERIAL}\n[endpoint.plc]"
    text = changed(
        changed(on_serial(), "[endpoint.plc]", second), "y = { register = 202 }", "y = { register = 202, endpoint = 'more' }"
    )
    (fault,) = faults_of(written(tmp_path, text))
    assert (fault.key_path, "one master" in fault.wrong) == ("endpoint.more.address", True)
    assert "unit_id" in fault.wrong


def test_the_load_of_a_serial_line_is_told_and_a_full_one_is_warned_of(tmp_path):
    """20 ms for two blocks of 12 and 6 bytes: (8+5+12 + 8+5+6) characters of 11/19200 s and 4 silences of 3.5: 166 %."""
    notes = [note for note in judge(loaded(written(tmp_path, on_serial()))) if "line's time" in note.text]
    assert [note.level for note in notes] == ["warning"]
    assert "frames take 166% of the line's time at 19200 bit/s" in notes[0].text
    slow = changed(on_serial(), 'poll = "20 ms"', 'poll = "100 ms"')
    notes = [note for note in judge(loaded(written(tmp_path, slow))) if "line's time" in note.text]
    assert [note.level for note in notes] == ["info"]


MQTT = 'protocol = "mqtt"\naddress = "mqtt://192.0.2.30"'
SOURCE = 'x = { endpoint = "pub", topic = "gauges/cold", pointer = "/x", unit = "mm" }'


def with_mqtt(endpoint: str = MQTT, tag: str = SOURCE) -> str:
    text = changed(GOOD, "[endpoint.plc]", f"[endpoint.pub]\n{endpoint}\n[endpoint.plc]")
    return text + f'\n[station.published]\nposition = "70 m"\n[station.published.tags]\n{tag}\n'


def test_devices_that_publish(tmp_path):
    keys = 'user = "reader"\npassword = { env = "WORD" }\nversion = "3.1.1"\npublish = "50 ms"'
    tag = (
        'x = { endpoint = "pub", topic = "t", pointer = "/x", quality_pointer = "/q", quality_good = "0", time_pointer = "/t" }'
    )
    line = loaded(written(tmp_path, with_mqtt(f"{MQTT}\n{keys}", tag)), {"WORD": "only-looks"})
    pub = next(each for each in line.endpoints if each.name == "pub")
    assert isinstance(pub, MqttEndpoint)
    assert (pub.host, pub.port, pub.tls, pub.version, pub.password) == ("192.0.2.30", 1883, False, "3.1.1", "only-looks")
    assert pub.points == (MqttPoint("published.x", "t", "/x", quality_pointer="/q", quality_good="0", time_pointer="/t"),)
    assert line.plan.tags["published.x"].interval == pytest.approx(0.05)
    assert "only-looks" not in repr(pub)
    notes = [note.text for note in judge(line) if note.about == "endpoint pub"]
    assert any("the password travels in the clear" in text for text in notes)


@pytest.mark.parametrize(
    ("endpoint", "tag", "key", "said"),
    [
        (MQTT.replace("mqtt://", "http://"), SOURCE, "endpoint.pub.address", "write mqtt://HOST:PORT"),
        (MQTT.replace("mqtt://", "mqtt://me:secret@"), SOURCE, "endpoint.pub.address", "a login does not belong"),
        (f'{MQTT}\npassword = "secret"', SOURCE, "endpoint.pub.password", "must not stand in this file as text"),
        (f"{MQTT}\nqos = 2", SOURCE, "endpoint.pub.qos", "not one of them"),
        (MQTT, SOURCE.replace("cold", "#"), "station.published.tags.x.topic", "stand for many topics"),
        (MQTT, SOURCE.replace("/x", "x"), "station.published.tags.x.pointer", "no JSON Pointer"),
        (MQTT, SOURCE.replace("pointer", "register = 1, pointer"), "station.published.tags.x.register", "no such key"),
        (MQTT, SOURCE.replace("unit", "poll = '1 s', unit"), "station.published.tags.x.poll", "does not poll"),
        (MQTT, f"{SOURCE}\n{SOURCE.replace('x = {', 'y = {')}", "station.published.tags.y.pointer", "same value already"),
        (MQTT, SOURCE.replace('topic = "gauges/cold", ', ""), "station.published.tags.x", "topic is missing"),
    ],
)
def test_what_is_refused_of_devices_that_publish(endpoint, tag, key, said, tmp_path):
    faults = faults_of(written(tmp_path, with_mqtt(endpoint, tag)))
    (fault,) = [fault for fault in faults if fault.key_path == key]
    assert said in fault.wrong
    assert "secret@" not in fault.wrong and '"secret"' not in fault.wrong


def test_a_path_in_place_of_a_node(tmp_path):
    text = changed(GOOD, "water = { ", "water = { path = 'Objects/Trough/Temperature', ")
    faults = faults_of(written(tmp_path, text))
    assert [(fault.key_path, "keep one" in fault.wrong) for fault in faults] == [("station.plc.tags.water.path", True)]
