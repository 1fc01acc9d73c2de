"""A line commissioned against a Modbus server that is libmodbus, in C: nothing of ours on the other side, nor of our client's library."""

import json
import os
import shlex
import signal
import subprocess
from pathlib import Path

import pytest

from metrepost.commands import exits
from metrepost.events import EndpointEvent, Event
from metrepost.readings import BAD, GOOD, Measured
from support_daemon import command
from support_modbus import free_port
from support_service import running, until

SOURCE = Path(__file__).parent / "gauge_server.c"
HEAD = """\
format = 1
[line]
plant = "northmere"
area = "extrusion"
name = "core-3"
[product]
name = "K75-480"
conductor = "1.02 mm"
[mqtt]
url = "mqtt://127.0.0.1:9"
[endpoint.gauge]
protocol = "modbus-tcp"
address = "127.0.0.1:{port}"
unit_id = 1
poll = "100 ms"
timeout = "{timeout}"
[endpoint.plc]
protocol = "modbus-tcp"
address = "127.0.0.1:{port}"
unit_id = 2
address_base = 1                 # the PLC's list counts from 1
poll = "100 ms"
timeout = "{timeout}"
[station.gauge]
position = "61.5 m"
defaults = {{ endpoint = "gauge", table = "input" }}
[station.plc]
position = "0 m"
defaults = {{ endpoint = "plc", table = "holding" }}
"""
RIGHT = """\
[station.gauge.tags]
coldest = { register = 100, type = "int16", scale = 0.1, unit = "degC" }
speed = { register = 101, type = "uint16", scale = 0.01, unit = "m/min" }
x = { register = 102, type = "int32", scale = 0.0001, unit = "mm", valid = ["1 mm", "10 mm"] }
offset = { register = 104, type = "int32", word_order = "little", scale = 0.0001, unit = "mm" }
y = { register = 106, type = "float32", unit = "mm", valid = ["1 mm", "10 mm"] }
z = { register = 108, type = "float32", word_order = "little", unit = "mm", valid = ["1 mm", "10 mm"] }
water = { register = 110, type = "float32", word_order = "little", byte_order = "little", unit = "degC", valid = ["1 degC", "99 degC"] }
counted = { register = 112, type = "uint32", scale = 0.01, unit = "m" }
[station.plc.tags]
rpm = { register = 1, type = "uint16", scale = 0.1, unit = "1/min" }
running = { register = 2, bit = 5 }
count = { register = 3, type = "uint16" }
recipe = { register = 4, type = "uint16" }
"""
VALUES = {
    "gauge.coldest": -12.3,
    "gauge.speed": 60.0,
    "gauge.x": 4.8,
    "gauge.offset": -1.0204,
    "gauge.y": 4.572,
    "gauge.z": 4.572,
    "gauge.water": 61.25,
    "plc.rpm": 48.0,
    "plc.running": 1.0,
    "plc.count": 65535.0,
    "plc.recipe": 7.0,
}
"""By the words of the server: worked out by hand from its source."""


@pytest.fixture(scope="module")
def server(tmp_path_factory, compiler):
    """Compiles the server; gives a function that starts it."""
    program = tmp_path_factory.mktemp("foreign") / "gauge_server"
    asked = ["pkg-config", "--cflags", "--libs", "libmodbus"]
    flags = shlex.split(subprocess.run(asked, capture_output=True, text=True, check=True).stdout)
    subprocess.run([compiler, "-O1", "-Wall", "-Werror", "-o", str(program), str(SOURCE), *flags], check=True)
    started = []

    def start(port=0, delay=1, every=0, late=0):
        process = subprocess.Popen([program, *map(str, (port, delay, every, late))], stdout=subprocess.PIPE, text=True)
        started.append(process)
        return process, int(process.stdout.readline())

    yield start
    for process in started:
        process.kill()
        process.wait(10)
        process.stdout.close()


@pytest.fixture(scope="module")
def compiler(needs):
    """cc with libmodbus and pkg-config; missing ones skip, and fail with CI=true."""
    needs("pkg-config")
    found = needs("cc")
    if subprocess.run(["pkg-config", "--exists", "libmodbus"], check=False).returncode:
        why = "libmodbus is missing; as root: apt-get install libmodbus-dev"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    return found


def written(folder, port, tags=RIGHT, timeout="2 s"):
    file = folder / "core-3.toml"
    file.write_text(HEAD.format(port=port, timeout=timeout) + tags)
    return file


def test_wrong_decodings_are_found_out_and_the_right_ones_named(server, tmp_path):
    """As on day one: everything taken for big-endian; the tags with a valid range are told what fits."""
    process, port = server()
    wrong = RIGHT.replace(', word_order = "little"', "").replace(', byte_order = "little"', "")
    ended = command("probe", written(tmp_path, port, wrong), "--decodings", "--json", folder=tmp_path)
    assert ended.returncode == exits.FAILED, ended.stderr
    found = {row["tag"]: row for row in json.loads(ended.stdout)}
    for tag, value, advice in (
        ("gauge.z", 4.572, ['word_order = "little"']),
        ("gauge.water", 61.25, ['word_order = "little"', 'byte_order = "little"']),
    ):
        detail = found[tag]["detail"]
        assert [round(d["value"], 3) for d in detail["decodings"] if d["sensible"] and d["type"] == "float32"] == [value]
        assert all(word in detail["advice"] for word in advice), detail["advice"]
    assert found["gauge.y"]["value"] == pytest.approx(4.572)
    process.kill()


def test_a_scan_finds_exactly_the_registers_that_there_are(server, tmp_path):
    process, port = server()
    file = written(tmp_path, port)
    # the PLC's list counts from 1: its scan is told in the list's own numbers
    for endpoint, table, span, there in (
        ("gauge", "input", "96..117", range(100, 114)),
        ("plc", "holding", "1..9", range(1, 5)),
    ):
        arguments = ("--endpoint", endpoint, "--scan", table, span, "--rate", "50", "--json")
        ended = command("probe", file, *arguments, folder=tmp_path)
        assert ended.returncode == 0, ended.stderr
        assert [row["register"] for row in json.loads(ended.stdout) if row["answered"]] == list(there)
    process.kill()


UNITS = {"gauge.coldest": "degC", "gauge.speed": "m/min", "gauge.water": "degC", "plc.rpm": "1/min"}


def test_the_point_sheet_passes_and_one_wrong_reference_does_not(server, tmp_path):
    process, port = server()
    file = written(tmp_path, port)
    rows = ['format = 1\nby = "Kim"']
    for tag, value in VALUES.items():
        unit = UNITS.get(tag, "" if tag.startswith("plc.") else "mm")
        spread = {"degC": "0.1 K"}.get(unit, f"0.01 {unit}".strip())
        rows.append(f'[point.{tag}]\nreference = "{value:g} {unit}"\ntolerance = "{spread}"'.replace(' "\n', '"\n'))
    rows.append('[point.gauge.counted]\nwaive = "it counts; proven with the capstan"')
    references = tmp_path / "references.toml"
    references.write_text("\n".join(rows))
    ended = command("points", file, "--from", references, "--sign", "--by", "Kim", folder=tmp_path)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    references.write_text('format = 1\nby = "Kim"\n[point.gauge.x]\nreference = "4.7 mm"\ntolerance = "0.01 mm"')
    ended = command("points", file, "--from", references, folder=tmp_path)
    assert ended.returncode == exits.FAILED, ended.stdout + ended.stderr
    process.kill()


async def test_every_value_arrives_in_its_unit_and_a_kill_is_bridged(server, tmp_path):
    process, port = server(port=free_port())
    out = []

    def last():
        return {item.tag: item for item in out if isinstance(item, Measured)}

    async with running(written(tmp_path, port), tmp_path / "state", out=out) as service:
        await until(lambda: set(VALUES) <= set(last()))
        assert {tag: last()[tag].value for tag in VALUES} == pytest.approx(VALUES, rel=1e-6)
        assert {last()[tag].quality for tag in VALUES} == {GOOD}
        counted = [m.value for m in out if isinstance(m, Measured) and m.tag == "gauge.counted"]
        assert counted == sorted(counted), "the device counts, and nothing comes out of order"
        process.send_signal(signal.SIGKILL)
        await until(lambda: sum(isinstance(i, Event) and isinstance(i.data, EndpointEvent) and not i.data.up for i in out) == 2)
        await until(lambda: last()["gauge.x"].quality is BAD)
        server(port=port)
        await until(lambda: last()["gauge.x"].quality is GOOD and last()["plc.rpm"].quality is GOOD)
        assert {r.health.up for r in service.runners} == {True}


async def test_late_answers_are_bad_readings_and_never_values_of_another_request(server, tmp_path):
    """Answers take 20 ms, every fifth one 900 ms, and the time-out is 300 ms: what comes too late must not be taken for the next."""
    process, port = server(delay=20, every=5, late=900)
    out = []
    async with running(written(tmp_path, port, timeout="300 ms"), tmp_path / "state", out=out) as service:
        await until(lambda: sum(isinstance(m, Measured) and m.tag == "gauge.x" and m.quality is BAD for m in out) >= 4)
        failures = sum(r.health.failures for r in service.runners)
    read = [m for m in out if isinstance(m, Measured)]
    assert failures >= 4
    for tag, value in VALUES.items():
        good = {round(m.value, 4) for m in read if m.tag == tag and m.quality is GOOD}
        assert good <= {value}, (tag, good)
    assert sum(m.quality is GOOD for m in read) > 0
    process.kill()
