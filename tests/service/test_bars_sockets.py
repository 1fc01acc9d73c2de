"""The bars of the wet gauge over real sockets: simulated line, daemon and broker, judged from truth.jsonl and events.jsonl alone."""

import asyncio

import msgspec
import pytest

from metrepost.commands.demo import _moved
from metrepost.publish.recorder import Recorder
from metrepost.service import LineService
from metrepost_sim.scenarios import bars
from metrepost_sim.score import score_files
from metrepost_sim.servers import SimulatedLine
from support_bars import bars_line
from support_broker import Broker

pytestmark = pytest.mark.broker
SPEED = 105.0
SECONDS = 62.0


async def test_lumps_and_drops_over_real_modbus_opcua_and_mqtt(tmp_path):
    scenario = bars(5, speed=SPEED, lumps=30, spacing=2.5, lead=64.0)
    with Broker(tmp_path / "broker") as broker:
        async with SimulatedLine(scenario, seed=5) as sim:
            line = _moved(bars_line(), sim.addresses, ("127.0.0.1", broker.port))
            recorder = Recorder("127.0.0.1", broker.port, line.plan.root, tmp_path)
            await recorder.start()
            service = LineService(line, tmp_path / "state")
            stop = asyncio.Event()
            running = asyncio.create_task(service.run(stop))
            await asyncio.sleep(SECONDS)  # the line runs in real time
            stop.set()
            await running
            await recorder.stop()
        sim.write_truth(tmp_path / "truth.jsonl")
    score = score_files(tmp_path / "truth.jsonl", tmp_path / "events.jsonl")
    shown = sum(row.shown for row in score.lumps_shown.values())
    assert shown >= 8, "too little cable came by to judge"
    assert score.missed_bar == 0, score.missed
    assert score.unlisted == 0
    assert score.drops >= 10
    rows = [msgspec.json.decode(r) for r in (tmp_path / "events.jsonl").read_bytes().splitlines()]
    assert any(r["type"] == "metrepost.drop.v1" for r in rows)
    missed = {r.health.endpoint: r.health.missed_deadlines for r in service.runners}
    assert service.dropped == {}, missed
    print(score.as_dict(), missed)
