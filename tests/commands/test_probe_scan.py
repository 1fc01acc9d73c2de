"""`metrepost probe --scan` against a real Modbus server: what it asks, what it leaves out, when it does not begin."""

import asyncio
import json
import signal
import threading
import time

import pytest

from metrepost.commands import exits
from metrepost.configuration.shipped import shipped_config
from metrepost.endpoints.modbus_scan import GIVE_UP, Found, scan, to_ask
from metrepost.journal.lock import FolderLock
from support_daemon import Process, command
from support_modbus import Device, ModbusPoint, RealClock, RecordingProxy, Script, endpoint, free_port

PEAK = ModbusPoint("gauge.x_max", "input", 104, "int32", clears_on_read=True)


async def scanned(where, registers, table="input", rate=1000.0):
    found: list[Found] = []
    why = await scan(where, RealClock(), table, registers, where.unit_id, rate, found.append)
    return found, why


async def test_it_finds_what_answers_one_register_a_request_and_only_reads():
    async with Device(inputs={3: 0x4092, 5: 7}, coils={0: 1, 1: 0}) as device, RecordingProxy(device.port) as proxy:
        found, why = await scanned(endpoint(proxy.port, timeout=5.0), list(range(2, 7)))
        bits, _ = await scanned(endpoint(proxy.port, timeout=5.0), [0, 1], "coil")
    assert why == ""
    assert {each.register: each.raw for each in found if each.answered} == {3: "0x4092", 5: "0x0007"}
    assert [each.register for each in found if each.absent] == [2, 4, 6]
    assert [each.raw for each in bits] == ["1", "0"]
    proxy.assert_only_reads()
    assert {frame[7] for frame in proxy.frames} == {4, 1}
    assert {frame[10:12] for frame in proxy.frames} == {b"\0\1"}


def test_registers_that_reading_clears_are_left_out():
    where = endpoint(9, PEAK, ModbusPoint("gauge.x", "input", 100, "int32"))
    assert to_ask(where, "input", 100, 107, 1) == ([100, 101, 102, 103, 106, 107], ["gauge.x_max"])
    assert to_ask(where, "input", 105, 106, 1) == ([106], ["gauge.x_max"])
    assert to_ask(where, "holding", 104, 105, 1) == ([104, 105], [])
    assert to_ask(where, "input", 104, 105, 2) == ([104, 105], [])


async def test_the_rate_is_kept():
    async with Device(inputs={n: n for n in range(5)}) as device:
        began = time.monotonic()
        await scanned(endpoint(device.port, timeout=5.0), [0, 1, 2, 3, 4], rate=10.0)
    assert time.monotonic() - began >= 0.4


async def test_a_silent_device_is_given_up():
    async with Script(lambda request, number: []) as device:
        found, why = await scanned(endpoint(device.port, timeout=0.02), list(range(40)))
    assert len(found) == len(device.requests) == GIVE_UP
    assert "no answer" in why


async def test_a_device_that_hangs_up_is_called_again():
    async with Script(lambda request, number: None) as device:
        found, why = await scanned(endpoint(device.port, timeout=5.0), [1, 2, 3])
        assert device.connections == 3
    assert [each.answered for each in found] == [False] * 3
    assert why == ""


def line(folder, port):
    text = (shipped_config() / "core-3.toml").read_text().replace("127.0.0.1:5020", f"127.0.0.1:{port}")
    for part in ("products", "rules"):
        source = shipped_config() / part
        if source.is_dir():
            (folder / part).symlink_to(source)
    (folder / "core-3.toml").write_text(text)
    return folder / "core-3.toml"


@pytest.mark.parametrize("form", ["--json", "--csv", None])
async def test_the_command_warns_leaves_out_and_shows(tmp_path, form):
    async with Device(inputs={n: n for n in range(100, 112)}) as device:
        file = line(tmp_path, device.port)
        arguments = (
            "probe",
            file,
            "--endpoint",
            "gauges",
            "--scan",
            "input",
            "99..107",
            "--rate",
            "50",
            *([form] if form else []),
        )
        result = await asyncio.to_thread(command, *arguments, folder=tmp_path)
        asked = {address for _, address, _ in device.asked}
    assert result.returncode == 0, result.stderr
    assert asked <= {99, 100, 101, 102, 103}  # 104 to 107 are peaks since the last read
    assert "warning: reading can clear" in result.stderr
    assert "hot-gauge.x_max, hot-gauge.y_max" in result.stderr
    if form == "--json":
        answered = [(f["register"], f["raw"]) for f in json.loads(result.stdout) if f["answered"]]
        assert answered == [(100, "0x0064"), (101, "0x0065"), (102, "0x0066"), (103, "0x0067")]
    else:
        assert "0x0067" in result.stdout
    if form == "--csv":
        assert result.stdout.splitlines()[0] == "table,register,raw,round_trip,reason"


async def test_never_beside_a_daemon_unless_asked(tmp_path):
    (tmp_path / "state").mkdir()
    lock = FolderLock(tmp_path / "state", "core-3")
    try:
        async with Device(inputs={0: 9}) as device:
            file = line(tmp_path, device.port)
            arguments = ("probe", file, "--endpoint", "gauges", "--scan", "input", "0..0", "--state", tmp_path / "state")
            refused = await asyncio.to_thread(command, *arguments)
            assert device.asked == []
            asked = await asyncio.to_thread(command, *arguments, "--beside-daemon")
    finally:
        lock.release()
    assert refused.returncode == exits.STATE
    assert "--beside-daemon" in refused.stderr
    assert asked.returncode == 0, asked.stderr
    assert "0x0009" in asked.stdout


def test_an_unreachable_device_is_a_sentence(tmp_path):
    file = line(tmp_path, free_port())
    result = command("probe", file, "--endpoint", "gauges", "--scan", "input", "0..3", folder=tmp_path)
    assert result.returncode == exits.UNREACHABLE
    assert "connection refused" in result.stderr
    assert "Traceback" not in result.stderr


async def test_ctrl_c_shows_what_was_found_and_ends(tmp_path):
    def interrupted(file, seen):
        with Process("probe", file, "--endpoint", "gauges", "--scan", "input", "0..99", "--rate", "20", folder=tmp_path) as run:
            assert seen.wait(30)
            code = run.stop(signal.SIGINT)
            return code, run.process.stdout.read().decode(), run.log.read_text()

    seen = threading.Event()
    async with Device(inputs={n: n for n in range(100)}) as device:
        task = asyncio.create_task(asyncio.to_thread(interrupted, line(tmp_path, device.port), seen))
        while len(device.asked) < 6 and not task.done():
            await asyncio.sleep(0.01)  # the server of the library gives no event for a request
        seen.set()
        code, shown, log = await task
    assert code == exits.INTERRUPTED
    assert "0x0002" in shown
    assert "interrupted after" in log
    assert "Traceback" not in log
