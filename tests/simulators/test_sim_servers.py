import asyncio
import struct
from contextlib import asynccontextmanager

import pytest
from asyncua import Client, ua
from pymodbus.client import AsyncModbusTcpClient

from metrepost_sim.line_file import read_line_file
from metrepost_sim.scenario import Surface
from metrepost_sim.servers import SimulatedLine
from support_simulators import ring, small


@asynccontextmanager
async def client(address):
    host, port = address.split(":")
    one = AsyncModbusTcpClient(host, port=int(port), timeout=2, retries=0, reconnect_delay=0)
    assert await one.connect()
    try:
        yield one
    finally:
        one.close()


async def gauge(one, first):
    """x, y, x_max, y_max, x_min, y_min in mm."""
    answer = await one.read_input_registers(first, count=12)
    assert not answer.isError(), answer
    return [raw * 1e-4 for raw in struct.unpack(">6i", struct.pack(">12H", *answer.registers))]


class Clock:
    """A clock that the test moves."""

    def __init__(self):
        self.time = 1_800_000_000.0

    def __call__(self):
        return self.time


async def test_registers_nodes_and_truth_of_one_line_over_the_wire():
    clock = Clock()
    scenario = small(ring(1070.0, height=0.2), speed=60.0)
    async with SimulatedLine(scenario, clock=clock) as line:
        at_hot, at_cold = (line.line.motion.time_of(1070.0 - 66.0 + p) for p in (1.5, 61.5))
        async with client(line.addresses["gauges"]) as one, client(line.addresses["gauges"]) as other:
            clock.time = line.start + at_hot - 1.0
            calm = await gauge(one, 100)
            assert calm[2] == pytest.approx(4.898, abs=0.02)
            clock.time = line.start + at_hot + 1.0
            assert (await gauge(one, 100))[2] > calm[2] + 0.19
            # anybody's read resets the hold
            clock.time += 0.5
            assert (await gauge(other, 100))[2] < calm[2] + 0.02
            clock.time = line.start + at_cold - 1.0
            await gauge(one, 200)
            clock.time = line.start + at_cold + 1.0
            await gauge(other, 200)
            clock.time += 0.5
            assert (await gauge(one, 200))[2] < 4.9
            count = await one.read_input_registers(340, count=3)
            assert struct.unpack(">IH", struct.pack(">3H", *count.registers)) == (17, pytest.approx(350, abs=5))
            assert (await one.read_discrete_inputs(0, count=1)).bits[0] is True
            words = (await one.read_input_registers(320, count=2)).registers
            assert struct.unpack(">f", struct.pack(">2H", *words))[0] == pytest.approx(55.07, abs=0.5)
        async with client(line.addresses["drives"]) as drives:
            raw = struct.unpack(">IH", struct.pack(">3H", *(await drives.read_holding_registers(0, count=3)).registers))
            assert raw[0] / 100 == pytest.approx(1000.0 + line.now(), abs=0.1)
            assert raw[1] / 100 == pytest.approx(60.0, abs=0.5)
    row = next(r for r in line.truth_rows() if r["kind"] == "lump")
    assert row["shown_hot"] == pytest.approx(0.2 / 0.98, abs=1e-3)
    assert row["shown_cold"] == pytest.approx(0.2, abs=1e-3)
    assert row["passed"] is True


async def test_plc_nodes_are_those_of_the_line_file_with_source_times_of_the_line_clock():
    clock = Clock()
    async with SimulatedLine(small(), clock=clock) as line, Client(line.addresses["plc"]) as plc:
        assert line.addresses["plc"].endswith("/northmere/core-3")
        for node in read_line_file().nodes:
            space = await plc.get_namespace_index(node.uri)
            value = await plc.get_node(ua.NodeId(node.identifier, space)).read_data_value()
            assert value.StatusCode.is_good()
            assert value.SourceTimestamp.timestamp() == pytest.approx(clock.time, abs=1e-3)
        space = await plc.get_namespace_index("urn:northmere:core-3")
        water = plc.get_node(ua.NodeId("Trough.Temperature", space))
        assert await water.read_value() == pytest.approx(22.0, abs=0.5)
        unit = await (await water.get_child("0:EngineeringUnits")).read_value()
        assert unit.UnitId == 4408652  # CEL, OPC 10000-8, 5.6.4
        with pytest.raises(ua.uaerrors.BadUserAccessDenied):
            await water.write_value(1.0)


async def test_plc_values_change_and_are_told():
    async with SimulatedLine("demo", seed=1, speed=10.0) as line, Client(line.addresses["plc"]) as plc:
        space = await plc.get_namespace_index("urn:northmere:core-3")
        heard = asyncio.Queue()

        class Handler:
            def datachange_notification(self, node, value, data):
                heard.put_nowait(data.monitored_item.Value)

        subscription = await plc.create_subscription(50, Handler())
        await subscription.subscribe_data_change(plc.get_node(ua.NodeId("FoamExtruder.MeltPressure", space)))
        async with asyncio.timeout(5.0):
            values = [await heard.get() for _ in range(4)]
        times = [v.SourceTimestamp.timestamp() for v in values]
        assert times == sorted(times)
        assert times[-1] - times[1] > 1.0  # the line clock runs at ten times the wall's pace
        await subscription.delete()


async def test_writes_are_refused_and_counted_and_gaps_do_not_exist():
    async with SimulatedLine(small(), only=["drives"]) as line, client(line.addresses["drives"]) as drives:
        assert (await drives.write_register(0, 1)).isError()
        assert (await drives.write_coil(0, True)).isError()
        assert line.modbus("drives").refused == 2
        assert (await drives.read_holding_registers(0, count=4)).exception_code == 2
        assert (await drives.read_holding_registers(0, count=3)).registers[0:1] == [1]
        assert line.modbus("drives").requests == 4


async def test_an_endpoint_goes_down_and_comes_back_on_the_same_port():
    async with SimulatedLine(small(), only=["gauges"]) as line:
        address = line.addresses["gauges"]
        host, port = address.split(":")
        reader, writer = await asyncio.open_connection(host, port)
        await line.take_down("gauges")
        assert await reader.read() == b""
        writer.close()
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection(host, port)
        await line.bring_up("gauges")
        assert line.addresses["gauges"] == address
        async with client(address) as again:
            assert (await gauge(again, 100))[0] == pytest.approx(4.898, abs=0.02)


async def test_a_hanging_device_answers_late_and_others_at_once():
    async with SimulatedLine(small(), only=["gauges", "drives"]) as line, client(line.addresses["gauges"]) as one:
        face = line.modbus("gauges")
        face.hang()
        waiting = asyncio.create_task(one.read_input_registers(100, count=12))
        async with client(line.addresses["drives"]) as drives:
            assert not (await drives.read_holding_registers(0, count=3)).isError()
        assert not waiting.done()
        face.resume()
        assert not (await waiting).isError()


async def test_a_frozen_gauge_stands_still_until_thawed():
    clock = Clock()
    async with (
        SimulatedLine(small(surface=Surface()), clock=clock, only=["gauges"]) as line,
        client(line.addresses["gauges"]) as one,
    ):
        clock.time += 1.0
        before = await gauge(one, 200)
        line.freeze("cold-gauge")
        for _ in range(3):
            clock.time += 1.0
            assert await gauge(one, 200) == before
        line.thaw("cold-gauge")
        clock.time += 1.0
        assert await gauge(one, 200) != before


async def test_ports_can_be_given_and_a_taken_one_is_an_error():
    async with SimulatedLine(small(), only=["gauges"]) as line:
        taken = int(line.addresses["gauges"].rpartition(":")[2])
        with pytest.raises(RuntimeError, match="listen"):
            async with SimulatedLine(small(), only=["gauges"], ports={"gauges": taken}):
                pass
