"""`metrepost probe` against a real Modbus server: decodings of the words that a gauge really sent."""

import asyncio
import csv
import io
import json
import struct

from metrepost.commands import exits
from support_daemon import command
from support_modbus import Device

LINE = """\
format = 1

[line]
plant = "northmere"
area = "extrusion"
name = "core-3"
producing = {{ speed_above = "10 m/min", hysteresis = "2 m/min", for = "20 m" }}

[product]
name = "K75-480"
conductor = "1.02 mm"
dielectric = {{ target = "4.80 mm", tolerance = "0.05 mm" }}

[length]
counter = "capstan.length"
speed = "capstan.speed"
reference = "capstan"
wraps_at = "100000 m"
resolution = "0.01 m"
max_speed = "300 m/min"

[take_up]
position = "84 m"

[mqtt]
url = "mqtt://127.0.0.1:9"

[endpoint.gauges]
protocol = "modbus-tcp"
address = "127.0.0.1:{port}"
timeout = "5 s"

[station.capstan]
position = "66 m"
defaults = {{ endpoint = "gauges", table = "input" }}
[station.capstan.tags]
length = {{ register = 0, type = "uint32", unit = "m" }}
speed = {{ register = 2, type = "uint16", scale = 0.01, unit = "m/min" }}

[station.gauge]
position = "61.5 m"
[station.gauge.tags]
x = {{ endpoint = "gauges", table = "input", register = 10, type = "float32", unit = "mm", valid = ["1 mm", "10 mm"] }}
"""
# 4.572 as single precision is 4092 4DD3; this device sends its low word first
WORDS = {0: 0, 1: 1200, 2: 6000, 10: 0x4DD3, 11: 0x4092}

(SENT,) = struct.unpack(">f", bytes.fromhex("40924DD3"))


def probed(folder, *arguments):
    """Run the command while a device with WORDS answers."""

    async def both():
        async with Device(inputs=WORDS) as device:
            (folder / "line.toml").write_text(LINE.format(port=device.port))
            return await asyncio.to_thread(command, "probe", folder / "line.toml", *arguments, folder=folder)

    return asyncio.run(both())


def test_the_right_word_order_is_proposed_at_the_end(tmp_path):
    result = probed(tmp_path, "--decodings")
    assert result.returncode == exits.FAILED, result.stderr  # as configured the value is out of range
    last = result.stdout.splitlines()[-1]
    assert last == 'gauge.x: the configured decoding is not sensible, and only 4.572 is: try word_order = "little"'
    configured = [row.split() for row in result.stdout.splitlines() if row.endswith("configured")]
    assert ["uint32", "big", "big", "1200", "m", "sensible", "configured"] in configured
    assert any(row[:3] == ["float32", "big", "big"] and "sensible" not in row for row in configured)


def test_without_decodings_nothing_of_them_is_shown(tmp_path):
    result = probed(tmp_path, "capstan.length")
    assert result.returncode == 0, result.stderr
    assert "0x0000 0x04B0" in result.stdout
    assert "float32" not in result.stdout


def test_json_and_csv_hold_the_same_decodings(tmp_path):
    body = json.loads(probed(tmp_path, "gauge.x", "--decodings", "--json").stdout)
    found = body[0]["detail"]["decodings"]
    assert [d["value"] for d in found if d["sensible"]] == [SENT]
    assert 'word_order = "little"' in body[0]["detail"]["advice"]
    rows = list(csv.DictReader(io.StringIO(probed(tmp_path, "gauge.x", "--decodings", "--csv").stdout)))
    assert [(r["type"], r["word_order"], r["byte_order"]) for r in rows] == [
        (d["type"], d["word_order"], d["byte_order"]) for d in found
    ]
    assert [float(r["value"]) for r in rows if r["sensible"] == "true"] == [SENT]
    assert [r["type"] for r in rows if r["configured"] == "true"] == ["float32"]


def test_csv_of_tags(tmp_path):
    (row,) = csv.DictReader(io.StringIO(probed(tmp_path, "capstan.length", "--csv").stdout))
    assert (row["tag"], row["raw"], row["value"], row["unit"], row["quality"]) == (
        "capstan.length", "0x0000 0x04B0", "1200.0", "m", "good",
    )  # fmt: skip


def test_an_absent_device_has_no_decodings_and_no_traceback(tmp_path):
    (tmp_path / "line.toml").write_text(LINE.format(port=9))
    result = command("probe", tmp_path / "line.toml", "--decodings", folder=tmp_path)
    assert result.returncode == exits.FAILED
    assert "no number was read" in result.stdout
    assert "Traceback" not in result.stderr
