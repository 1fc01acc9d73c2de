"""A line file that the simulator has never seen: other names, mixed types, orders, bases, unit ids; and its endpoints as served."""

import asyncio

import msgspec

from metrepost.configuration.load import load_line
from metrepost.endpoints.plan import ModbusEndpoint

LINE = """
format = 1
[line]
plant = "northmere"
name = "core-9"
rules = ["core-9-rules.toml"]
tags_csv = "more.csv"
producing = { speed_above = "8 m/min", for = "5 m" }
[product]
name = "K50-90"
conductor = "2.60 mm"
dielectric = { target = "7.00 mm", tolerance = "0.06 mm" }
impedance = "50 ohm"
[length]
counter = "caterpillar.metres"
speed = "caterpillar.pace"
reference = "caterpillar"
max_speed = "200 m/min"
[take_up]
position = "60 m"
cut = "winder.cuts"
reel = "winder.drum"
[endpoint.line-a]
protocol = "modbus-tcp"
address = "192.0.2.10:502"
unit_id = 3
poll = "50 ms"
address_base = 1
[endpoint.gateway]
protocol = "modbus-rtu-tcp"
address = "192.0.2.11:502"
unit_id = 17
poll = "100 ms"
[endpoint.hall]
protocol = "opcua"
address = "opc.tcp://192.0.2.20:4840/hall"
[endpoint.broker]
protocol = "mqtt"
address = "mqtt://192.0.2.30:1883"
[station.wire]
position = "-4 m"
defaults = { endpoint = "line-a", table = "holding", type = "uint16", scale = 0.001, unit = "mm", valid = ["0.5 mm", "6 mm"] }
[station.wire.tags]
diameter = { register = 1 }
[station.upstream]
position = "2 m"
latency = "5 ms"
[station.upstream.defaults]
endpoint = "line-a"
table = "input"
type = "int32"
scale = 0.0001
unit = "mm"
word_order = "little"
valid = ["3 mm", "12 mm"]
[station.upstream.tags]
peak-x = { register = 401, holds = "max", window = "since-read" }
peak-y = { register = 403, holds = "max", window = "since-read" }
[station.downstream]
position = "40 m"
defaults = { endpoint = "line-a", unit_id = 4, table = "input", unit = "mm", valid = ["3 mm", "12 mm"] }
[station.downstream.tags]
x = { register = 401, type = "float32", byte_order = "little" }
y = { register = 403, type = "float64", word_order = "little", byte_order = "little" }
x-top = { register = 21, type = "uint32", scale = 0.0001, holds = "max", window = "since-read" }
y-top = { register = 23, type = "int64", scale = 0.000001, holds = "max", window = "since-read" }
x-low = { register = 31, type = "uint16", scale = 0.001, offset = 1.0, byte_order = "little", holds = "min", window = "50 ms" }
[station.wet-meter]
position = "30 m"
defaults = { endpoint = "gateway", table = "input", type = "float32", word_order = "little" }
[station.wet-meter.tags]
per-length = { register = 0, unit = "pF/m", valid = ["20 pF/m", "300 pF/m"] }
[station.caterpillar]
position = "45 m"
defaults = { endpoint = "gateway", unit_id = 18, table = "holding" }
[station.caterpillar.tags]
metres = { register = 7, type = "uint32", scale = 0.001, unit = "m" }
pace = { register = 9, type = "int16", scale = 0.01, unit = "m/s", valid = ["0 m/s", "3.3 m/s"] }
running = { register = 12, type = "uint16", bit = 3 }
guard = { register = 12, type = "uint16", bit = 11 }
ready = { table = "coil", register = 5 }
jog = { table = "coil", register = 37 }
[station.winder]
position = "60 m"
defaults = { endpoint = "hall" }
[station.winder.tags]
cuts = { node = "nsu=urn:northmere:hall;i=7001" }
drum = { path = "Objects/Winder/Drum" }
tension = { node = "nsu=urn:northmere:hall;s=Winder.Tension", unit = "N", scale = 0.1, valid = ["20 N", "60 N"] }
[station.bath]
position = "10 m"
defaults = { endpoint = "hall", unit = "K" }
[station.bath.tags]
water = { node = "nsu=urn:northmere:hall;g=5ce9dbce-5d79-434c-9ac3-1cfba9a6e92c", valid = ["280 K", "330 K"] }
[station.dryer]
position = "0 m"
defaults = { endpoint = "broker", topic = "dryer" }
[station.dryer.tags]
dew-point = { unit = "degC", pointer = "/dp" }
[mqtt]
url = "mqtt://127.0.0.1:1883"
"""
CSV = """station,tag,endpoint,register,type,scale,unit,valid
wet-meter,load,gateway,4,int16,0.1,%,0 % .. 80 %
"""
RULES = """
format = 1
[rule.top]
kind = "flaw"
class = "product"
reads = ["downstream.x-top", "downstream.y-top"]
direction = "lump"
height = "0.08 mm"
witness = { reads = ["upstream.peak-x", "upstream.peak-y"], max_length = "300 mm" }
cause = "c"
consequence = "c"
response = "r"
[rule.guard-open]
kind = "bit"
class = "equipment"
reads = "caterpillar.guard"
alarm_when = false
priority = "low"
cause = "c"
consequence = "c"
response = "r"
[rule.bath]
kind = "band"
class = "process"
reads = "bath.water"
low = { at = "310 K", priority = "low", cause = "c", consequence = "c", response = "r" }
high = { at = "320 K", priority = "low", cause = "c", consequence = "c", response = "r" }
"""


def unseen_line(folder):
    """The line file of these texts, loaded."""
    (folder / "core-9.toml").write_text(LINE)
    (folder / "more.csv").write_text(CSV)
    (folder / "core-9-rules.toml").write_text(RULES)
    return load_line(folder / "core-9.toml")


def moved(endpoint, address):
    """An endpoint at the address where it is served."""
    if isinstance(endpoint, ModbusEndpoint):
        host, _, port = address.rpartition(":")
        return msgspec.structs.replace(endpoint, host=host, port=int(port))
    return msgspec.structs.replace(endpoint, address=address)


class HandClock:
    """Line time that the test moves, or lets stand; monotonic time is the machine's."""

    def __init__(self):
        self.time = 1_800_000_000.0

    def __call__(self):
        return self.time

    def line_time(self):
        return self.time

    def monotonic(self):
        return asyncio.get_running_loop().time()
