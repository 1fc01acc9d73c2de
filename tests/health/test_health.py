"""The daemon's own health: what is thought of it, how it is served, and what the service manager hears."""

import contextlib
import json
import os
import signal
import socket
import urllib.error
import urllib.request

import aiohttp
import msgspec
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from metrepost.health.address import parse_address
from metrepost.health.figures import LineFigures, Standing, judge
from metrepost.health.openmetrics import openmetrics
from metrepost.health.server import HealthServer
from metrepost.health.service_manager import ServiceManager
from metrepost.publish.payloads import EndpointHealth
from support_daemon import Process, line_folder

GOOD = LineFigures(
    line="core-3", version="1.2.3", running_for=10.0, line_state="producing", core_age=0.1, inputs=1234, inbox=0, uncommitted=0,
    journal_trouble="", endpoints={"gauges": EndpointHealth(up=True)}, requests={"gauges": 7}, round_trip={"gauges": 0.004},
    broker_connected=True, broker_trouble="", delivered=9, unheard=1, refused=0, lost=0, backlog={"event": 2, "rollup": 3},
    sent_readings=5, dropped_readings=6, dropped={}, messages_queued=0, messages_delivered=1, messages_given_up=0,
    alarms=(Standing("product", "high", "unacknowledged", 2),), tasks=12,
)  # fmt: skip
NOWHERE = {"gauges": "127.0.0.1:9", "drives": "127.0.0.1:9", "plc": "opc.tcp://127.0.0.1:9/x"}


def but(**changes):
    return msgspec.structs.replace(GOOD, **changes)


@pytest.mark.parametrize(
    ("figures", "status", "words"),
    [
        (GOOD, "ok", ""),
        (but(endpoints={"plc": EndpointHealth(up=False, reason="no answer")}), "degraded", "endpoint plc: no answer"),
        (but(broker_connected=False, broker_trouble="refused"), "degraded", "broker: refused"),
        (but(journal_trouble="disk full"), "degraded", "journal: disk full"),
        (but(dropped={"readings before the core": 4}), "degraded", "4 readings before the core"),
        (but(core_age=6.0), "failing", "no tick went through the core for 6 s"),
    ],
)
def test_only_what_a_restart_might_mend_is_failing(figures, status, words):
    verdict = judge(figures)
    assert verdict.status == status
    assert words in "; ".join(verdict.reasons)
    assert bool(verdict.reasons) is bool(words)


def test_openmetrics_text_is_read_back_by_a_strict_parser():
    """The parser of OpenMetrics 1.0 in prometheus_client, which refuses what the standard forbids."""
    text = openmetrics([GOOD, but(line="core-4", inbox=17)]).decode()
    assert text.endswith("# EOF\n")
    samples = {
        (s.name, tuple(sorted(s.labels.items()))): s.value for f in text_string_to_metric_families(text) for s in f.samples
    }
    line = ("line", "core-3")
    assert samples["metrepost_inputs_total", (line,)] == 1234
    assert samples["metrepost_backlog_rows", (line, ("stream", "rollup"))] == 3
    assert samples["metrepost_endpoint_up", (("endpoint", "gauges"), line)] == 1
    assert samples["metrepost_inbox_inputs", (("line", "core-4"),)] == 17
    assert samples["metrepost_tasks", (line,)] == 12
    alarm = (("class", "product"), line, ("priority", "high"), ("state", "unacknowledged"))
    assert samples["metrepost_alarms", alarm] == 2
    assert samples["metrepost_info", (("version", "1.2.3"),)] == 1


async def test_the_two_pages_and_nothing_else():
    figures = [GOOD]
    async with HealthServer(("127.0.0.1", 0), lambda: figures) as server, aiohttp.ClientSession() as client:
        base = f"http://127.0.0.1:{server.port}"
        async with client.get(f"{base}/health") as answer:
            assert answer.status == 200
            assert (await answer.json())["lines"]["core-3"]["status"] == "ok"
        figures[:] = [but(core_age=60.0)]
        async with client.get(f"{base}/health") as answer:
            assert answer.status == 503
            assert "no tick" in (await answer.json())["lines"]["core-3"]["reasons"][0]
        async with client.get(f"{base}/metrics") as answer:
            assert answer.headers["Content-Type"].startswith("application/openmetrics-text")
        for method, path, status in (("GET", "/", 404), ("POST", "/health", 405), ("GET", "/metrics/../../etc/passwd", 404)):
            async with client.request(method, base + path) as answer:
                assert answer.status == status


@pytest.mark.parametrize(
    "text", ["0.0.0.0:9180", "192.0.2.7:9180", "9180", "127.0.0.1", "127.0.0.1:x", "127.0.0.1:70000", "[::]:1"]
)
def test_only_loopback_is_served(text):
    with pytest.raises(ValueError, match=r"loopback|write 127|is not one"):
        parse_address(text)
    assert parse_address("localhost:1") == ("127.0.0.1", 1)
    assert parse_address("[::1]:9180") == ("::1", 9180)


def test_no_manager_asked_and_nothing_is_said():
    manager = ServiceManager({})
    manager.ready("x")
    assert manager.watchdog_every == 0.0
    assert ServiceManager({"NOTIFY_SOCKET": "/nowhere", "WATCHDOG_USEC": "4000000", "WATCHDOG_PID": "1"}).watchdog_every == 0.0


def test_a_daemon_under_a_service_manager(tmp_path):
    """Ready, alive while it watches, health and metrics on loopback, debug logging on a signal, stopping."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        manager.settimeout(30)
        environ = {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "400000"}
        file = line_folder(tmp_path, NOWHERE, 9)
        options = ("--state", tmp_path / "state", "--health", "127.0.0.1:0")
        with Process("run", file, *options, folder=tmp_path, environ=environ) as daemon:
            assert manager.recv(4096) == b"READY=1\nSTATUS=watching core-3"
            assert manager.recv(4096) == b"WATCHDOG=1"
            logged = [json.loads(row) for row in daemon.log.read_text().splitlines()]
            address = next(row["address"] for row in logged if row["event"] == "health")
            with urllib.request.urlopen(f"http://{address}/health") as answer:
                body = json.load(answer)
            assert body["status"] == "degraded"
            assert "endpoint gauges" in str(body["lines"]["core-3"]["reasons"])
            with urllib.request.urlopen(f"http://{address}/metrics") as answer:
                families = list(text_string_to_metric_families(answer.read().decode()))
            assert any(f.name == "metrepost_endpoint_up" for f in families)
            daemon.process.send_signal(signal.SIGUSR1)
            daemon.wait_for('"level":"debug"')
            # a daemon that stands still is not alive: no word comes while it is stopped, and it says so afterwards
            daemon.process.send_signal(signal.SIGSTOP)
            os.waitid(os.P_PID, daemon.process.pid, os.WSTOPPED | os.WNOWAIT)
            manager.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while manager.recv(4096):
                    pass
            manager.settimeout(1.0)
            with pytest.raises(TimeoutError):
                manager.recv(4096)
            daemon.process.send_signal(signal.SIGCONT)
            manager.settimeout(30)
            assert daemon.stop() == 0
            words = [manager.recv(4096)]
            while words[-1] != b"STOPPING=1":
                words.append(manager.recv(4096))
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(f"http://{address}/health")
