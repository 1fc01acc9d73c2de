"""A small line with one of each kind of point, and how points of a sheet are made by hand."""

import asyncio
import contextlib
import os
import struct
import sys

from typer.testing import CliRunner

from metrepost.commands.main import app
from metrepost.points.judge import trial
from metrepost.points.model import Point
from support_modbus import Device
from support_opcua import NAMESPACE, PlantServer, free_port

LINE = """
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
speed = "capstan.speed"
reference = "capstan"
max_speed = "300 m/min"
[take_up]
position = "84 m"
[mqtt]
url = "mqtt://127.0.0.1:9"
[endpoint.gauges]
protocol = "modbus-tcp"
address = "127.0.0.1:{modbus}"
timeout = "5 s"
address_base = 1
[endpoint.plc]
protocol = "opcua"
address = "opc.tcp://127.0.0.1:{opcua}/northmere/core-3"
timeout = "20 s"
[station.capstan]
position = "66 m"
tags.speed = {{ endpoint = "gauges", table = "input", register = 3, scale = 0.01, unit = "m/min" }}
[station.gauge]
position = "61.5 m"
defaults = {{ endpoint = "gauges", table = "input", type = "int32", scale = 0.0001, unit = "mm" }}
[station.gauge.tags]
x = {{ register = 11, valid = ["1 mm", "10 mm"] }}
y = {{ register = 13, valid = ["1 mm", "10 mm"] }}
x_max = {{ register = 21, holds = "max", window = "since-read", poll = "20 ms" }}
[station.gauge.computed]
diameter = {{ function = "mean", of = ["x", "y"] }}
[station.trough]
position = "25 m"
tags.water = {{ endpoint = "plc", node = "nsu={namespace};s=Water", unit = "degC" }}
"""


def int32(value):
    """High and low word."""
    return struct.unpack(">HH", struct.pack(">i", value))


def registers(x=48012, y=47995, peak=48100):
    """Zero-based: what the line file counts from 1."""
    (xh, xl), (yh, yl), (ph, pl) = int32(x), int32(y), int32(peak)
    return {2: 6000, 10: xh, 11: xl, 12: yh, 13: yl, 20: ph, 21: pl}


def write_line(folder, modbus=9, opcua=9, **changes):
    text = LINE.format(modbus=modbus, opcua=opcua, namespace=NAMESPACE)
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "line.toml").write_text(text)
    return folder / "line.toml"


def call(folder, *arguments, typed=""):
    """`metrepost points` in this process; the result of typer's runner."""
    fixed = ["points", str(folder / "line.toml"), "--state", str(folder / "state")]
    return CliRunner().invoke(app, [*fixed, *map(str, arguments)], input=typed, env={"COLUMNS": "220"})


@contextlib.asynccontextmanager
async def plant(folder, *, opcua=True, **values):
    """The servers and the line file; gives the call, made beside the servers, and both servers. An OPC UA server costs a second."""
    async with contextlib.AsyncExitStack() as stack:
        device = await stack.enter_async_context(Device(inputs=registers(**values)))
        server = await stack.enter_async_context(PlantServer(free_port())) if opcua else None
        if server:
            await server.add("Water", 60.5)
        write_line(folder, device.port, server.port if server else 9)

        async def run(*arguments, typed=""):
            return await asyncio.to_thread(call, folder, *arguments, typed=typed)

        yield run, device, server


class Terminal:
    """A pseudo-terminal in the place of this process's input and output. A context manager."""

    def __init__(self, monkeypatch):
        self._master, slave = os.openpty()
        self._slave = os.fdopen(slave, "r+b", buffering=0)
        self._input = open(os.dup(slave))  # noqa: SIM115  closed with the terminal
        self._output = open(os.dup(slave), "w")  # noqa: SIM115  closed with the terminal
        self._text, self._news = "", asyncio.Event()
        self._monkeypatch = monkeypatch

    def __enter__(self):
        asyncio.get_running_loop().add_reader(self._master, self._read)
        self._monkeypatch.setattr(sys, "stdin", self._input)
        self._monkeypatch.setattr(sys, "stdout", self._output)
        return self

    def __exit__(self, *_):
        asyncio.get_running_loop().remove_reader(self._master)
        self._monkeypatch.undo()
        for stream in (self._input, self._output, self._slave):
            stream.close()
        os.close(self._master)

    def _read(self):
        self._text += os.read(self._master, 65536).decode()
        self._news.set()

    def type(self, text):
        os.write(self._master, text.encode())

    async def said(self, words):
        """Wait until it says `words`, after what was waited for before."""
        async with asyncio.timeout(30):
            while words not in self._text:
                self._news.clear()
                await self._news.wait()
        self._text = self._text.partition(words)[2]


def point(tag="gauge.x", **settings):
    fixed = {"endpoint": "gauges", "address": "h:502", "place": "unit 1, input 10", "decoding": "int32, words big"}
    return Point(tag=tag, **{**fixed, "scale": 0.0001, "unit": "mm", **settings})


def tried(of=None, *, value=4.801, reference=4.8, allowed=0.01, quality="good", by="Kim", at="2026-11-25T08:00:00Z", **more):
    return trial(
        of or point(), reference=reference, allowed=allowed, value=value, raw="0x0000 0xBB8A", quality=quality,
        reason=more.pop("reason", ""), by=by, at=at, **more,
    )  # fmt: skip
