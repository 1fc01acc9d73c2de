"""The daemon as a process beside a real broker and a simulated line: start, stop, kill, outage. Judged by what a subscriber got."""

import json
import signal
import time

import pytest

from support_broker import Broker, Recorder
from support_daemon import Process, command, line_folder, simulated

pytestmark = pytest.mark.broker


def events(recorder):
    return [json.loads(p) for p in recorder.payloads("metrepost/v1/northmere/extrusion/core-3/event/")]


def assert_complete(recorder):
    """Per stream no hole after sorting by sequence; doubles only with equal ids and equal content."""
    for stream in ("event", "rollup"):
        rows = {}
        for payload in recorder.payloads(f"metrepost/v1/northmere/extrusion/core-3/{stream}/"):
            row = json.loads(payload)
            assert rows.setdefault(row["id"], payload) == payload
        numbers = sorted(int(i.rsplit("-", 1)[1]) for i in rows)
        assert numbers == list(range(1, len(numbers) + 1)), f"holes in {stream}"


def has(kind, **data):
    return lambda messages: any(
        all(json.loads(m.payload)["data"].get(k) == v for k, v in data.items())
        for m in messages
        if m.topic.endswith(f"/event/{kind}")
    )


def test_a_run_a_kill_a_broker_outage_and_a_graceful_stop_lose_nothing(tmp_path):
    """One story in one test, because starting the line costs seconds."""
    with (
        Broker(tmp_path / "broker", persistence=True) as broker,
        Recorder(broker.port) as seen,
        simulated(tmp_path, "--scenario", "demo") as (_sim, addresses),
    ):
        file = line_folder(tmp_path, addresses, broker.port)
        with Process("run", file, "--state", tmp_path / "state", folder=tmp_path) as daemon:
            seen.wait(has("endpoint", endpoint="plc", up=True), 30)
            seen.wait(has("flaw"), 30)
            # a second daemon on the same state folder is refused, and says why
            second = command("run", file, "--state", tmp_path / "state")
            assert second.returncode == 4
            assert "state" in second.stderr
            assert "Traceback" not in second.stderr
            # killed: the will says so
            daemon.stop(signal.SIGKILL)
        seen.wait(lambda ms: any(m.topic.endswith("/state") and not json.loads(m.payload)["online"] for m in ms), 60)
        with Process("run", file, "--state", tmp_path / "state", folder=tmp_path) as daemon:
            seen.wait(has("counter", what="restart"), 30)
            seen.wait(has("stretch", mark="gap"), 30)
            # the broker goes away and comes back with what it had
            broker.stop()
            time.sleep(4)  # an outage is a length of time
            broker.start()
            seen.wait(has("cut"), 60)
            began = time.monotonic()
            assert daemon.stop() == 0
            assert time.monotonic() - began < 6
        seen.wait(has("configuration", what="stop"), 10)
        assert_complete(seen)
        restart = next(e for e in events(seen) if e["type"] == "metrepost.counter.v1")
        assert restart["data"]["metre_uncertainty"] < 0.1
        # what the journal holds is what arrived
        exported = command("export", file, "--state", tmp_path / "state").stdout.splitlines()
        assert {json.loads(line)["id"] for line in exported} == {e["id"] for e in events(seen)}
        last = json.loads(exported[-3])
        epoch, number = last["id"].split("-")[1], int(last["sequence"])
        after = command("export", file, "--state", tmp_path / "state", "--after", f"{epoch}:{number}").stdout.splitlines()
        assert after == exported[-2:]
        load = command("load", file, "--state", tmp_path / "state", "--json")
        assert json.loads(load.stdout)["classes"]["product"]["last_day"] >= 1


def test_nothing_is_there_at_the_start_and_the_daemon_says_so_and_keeps_trying(tmp_path):
    addresses = {"gauges": "127.0.0.1:9", "drives": "127.0.0.1:9", "plc": "opc.tcp://127.0.0.1:9/x"}
    file = line_folder(tmp_path, addresses, 9)
    with Process("run", file, "--state", tmp_path / "state", folder=tmp_path) as daemon:
        daemon.wait_for("watching")
        daemon.wait_for('"broker"')
        assert daemon.stop() == 0
    log = [json.loads(line) for line in daemon.log.read_text().splitlines()]
    assert any("again_in" in row for row in log)
    exported = command("export", file, "--state", tmp_path / "state")
    rows = [json.loads(line)["data"] for line in exported.stdout.splitlines()]
    lost = {r["alarm"] for r in rows if r.get("transition") == "raised"}
    assert {"endpoint.gauges", "endpoint.drives", "endpoint.plc"} <= lost


def test_probe_reads_the_simulated_line(tmp_path):
    with simulated(tmp_path, "--scenario", "steady") as (_sim, addresses):
        file = line_folder(tmp_path, addresses, 9)
        result = command("probe", file, "cold-gauge.x", "plc.recipe", "--json")
        assert result.returncode == 0, result.stderr
        x, recipe = json.loads(result.stdout)
        assert (x["tag"], x["unit"], x["quality"]) == ("cold-gauge.x", "mm", "good")
        assert 4.5 < x["value"] < 5.1
        assert x["round_trip"] > 0
        assert recipe["value"] == 75
        shown = command("probe", file, "cold-gauge.x")
        assert "cold-gauge.x" in shown.stdout
        clearing = command("probe", file, "cold-gauge.x_max")
        assert clearing.returncode == 1
        assert "clear" in clearing.stdout
