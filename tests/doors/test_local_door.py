"""The local door on real sockets: who comes in, what a bad guest can do, and that the line is watched whatever happens there."""

import asyncio
import json
import os
import shutil
import socket
import tempfile
from pathlib import Path

import msgspec
import pytest
from typer.testing import CliRunner

from metrepost import service as services
from metrepost.commands.main import app
from metrepost.configuration import load_line
from metrepost.doors import local
from metrepost.doors.local import OF_ONE, LocalDoor, open_socket
from metrepost.doors.peer import account, uid_of
from metrepost.doors.plan import Grant, LocalDoorPlan
from metrepost.doors.rate import Rates
from metrepost.doors.request import LONGEST
from metrepost.ending import end
from metrepost.health.figures import judge
from metrepost.journal import Reader
from metrepost.recordings.reader import Recording
from metrepost.recordings.rehearsal import Rehearsal
from support_broker import Broker, Recorder
from support_daemon import line_folder
from support_doors import ALARM, DOOR, ME, Visitor, knock_as, running
from support_service import NOWHERE, until


@pytest.fixture(autouse=True)
def _no_broker_is_waited_for(monkeypatch):
    monkeypatch.setattr(services, "FLUSH", 0.05)


ROOT = "metrepost/v1/northmere/extrusion/core-3/"


def told(state, epoch, sequence):
    with Reader(state, "core-3") as reader:
        (row,) = [r for r in reader.export("event", f"{epoch}:{sequence - 1}") if r.sequence == sequence]
    return json.loads(row.payload)


async def raised(service):
    await until(lambda: service.core.alarms.state(ALARM).state == "unacknowledged")


async def test_acknowledged_through_the_door_it_is_told_with_who_to_the_broker(tmp_path):
    with Broker(tmp_path / "broker") as broker, Recorder(broker.port) as seen:
        async with running(tmp_path, broker=broker.port) as service:
            await raised(service)
            door = service._door.path
            assert door.stat().st_mode & 0o777 == 0o660
            async with Visitor(door) as visitor:
                answer = await visitor.says(act="acknowledge", alarm=ALARM, reason="on my way")
            assert answer["outcome"] == "done", answer
            # committed before it was answered: the journal has it now
            (sequence,) = answer["sequences"]
            event = told(tmp_path / "state", answer["epoch"], sequence)["data"]
            assert (event["alarm"], event["transition"], event["by"], event["reason"]) == (
                ALARM, "acknowledged", f"local:{ME}", "on my way",
            )  # fmt: skip

            def shown():
                payloads = seen.payloads(ROOT + "alarm/endpoint/gauges")
                return bool(payloads) and json.loads(payloads[-1])["state"] == "acknowledged"

            await until(shown)
            assert json.loads(seen.payloads(ROOT + "alarm/endpoint/gauges")[-1])["acknowledged_by"] == f"local:{ME}"
            async with Visitor(door) as visitor:
                again = await visitor.says(act="acknowledge", alarm=ALARM)
            assert again["outcome"] == "refused"
            assert service.figures().acts == {"done": 1, "refused": 1}
    assert not door.exists()


async def test_all_acts_of_people_are_journalled_with_who(tmp_path):
    acts = [
        ("note", {"text": "new die"}, ("by",)),
        ("scrap", {"from": 10, "to": 20, "reason": "scratched"}, ("by",)),
        ("sample", {"text": "capacitance", "value": 67.1, "unit": "pF/m", "metre": 10, "reel": "17"}, ("by",)),
        ("splice", {"metre": 50}, ("by",)),
        ("shelve", {"alarm": ALARM, "reason": "gauge away", "for": 600}, ("by",)),
        ("unshelve", {"alarm": ALARM}, ("by",)),
        ("out_of_service", {"alarm": ALARM, "reason": "gauge away"}, ("by",)),
        ("in_service", {"alarm": ALARM}, ("by",)),
    ]
    async with running(tmp_path) as service:
        await raised(service)
        async with Visitor(service._door.path) as visitor:
            for act, keys, _ in acts:
                answer = await visitor.says(act=act, **keys)
                assert answer["outcome"] == "done", (act, answer)
                event = told(tmp_path / "state", answer["epoch"], answer["sequences"][0])["data"]
                assert event["by"] == f"local:{ME}", act
            nothing = await visitor.says(act="drop_seen", metre=12.5)
            assert nothing["outcome"] == "nothing_changed"
            shelved_too_long = await visitor.says(act="shelve", alarm=ALARM, reason="x", **{"for": 86_400})
            assert shelved_too_long["outcome"] == "refused"


async def test_a_rehearsal_of_a_recording_repeats_what_came_through_the_door(tmp_path):
    async with running(tmp_path, record=tmp_path / "recorded") as service:
        await raised(service)
        async with Visitor(service._door.path) as visitor:
            answer = await visitor.says(act="acknowledge", alarm=ALARM, reason="seen")
        line = service.loaded
    again = []
    rehearsal = Rehearsal(line, "again", "aaaaaaaaaaaa", lambda stream, event: again.append(json.loads(event)["data"]))
    for item in Recording(tmp_path / "recorded").inputs():
        rehearsal.feed(item)
    (repeated,) = [data for data in again if data.get("transition") == "acknowledged"]
    live = told(tmp_path / "state", answer["epoch"], answer["sequences"][0])["data"]
    assert (repeated["by"], repeated["reason"]) == (f"local:{ME}", "seen")
    assert repeated == live


async def test_a_mistake_behind_the_door_does_not_end_the_watch(tmp_path):
    async def mistaken(request, who):
        raise ZeroDivisionError

    grants = (Grant("desk", (ME,), ()),)
    door = LocalDoor("core-3", LocalDoorPlan("a.door", "", grants), tmp_path, mistaken, list)
    task = asyncio.create_task(door.run())
    await until(lambda: not door.trouble)
    for _ in range(2):
        async with Visitor(door.path) as visitor:
            visitor.writer.write(b'{"act": "note", "text": "x"}\n')
            assert await visitor.reader.read() == b""
    assert door.outcomes == {"failed": 2}
    await end(task)


async def test_oversize_stalling_and_flooding_guests_hold_nobody_up(tmp_path):
    async with running(tmp_path) as service:
        path = service._door.path
        async with Visitor(path) as big:
            big.writer.write(b"x" * (LONGEST * 2))
            assert "at most" in (await big.hears())["why"]
            assert await big.reader.read() == b""
        async with Visitor(path) as slow, Visitor(path) as quick:
            slow.writer.write(b'{"act": "no')  # and no more
            assert (await quick.says(act="note", text="beside a slow one"))["outcome"] == "done"
            outcomes = []
            for _ in range(60):
                quick.writer.write(b'{"act": "nonsense"}\n')
            for _ in range(60):
                outcomes.append((await quick.hears())["outcome"])
            assert set(outcomes) == {"faulty", "too_often"}
            assert outcomes.count("too_often") >= 20
        figures = service.figures()
        assert figures.acts["too_often"] >= 20
        assert figures.core_age < 5.0
        await until(lambda: not service._door._peers)


async def test_a_flood_of_connections_is_bounded(tmp_path):
    async with running(tmp_path) as service:
        heard = []
        for _ in range(60):
            async with Visitor(service._door.path) as visitor:
                visitor.writer.write(b"{}\n")
                heard.append((await visitor.hears())["outcome"])
        assert heard[0] == "faulty"
        assert heard.count("too_often") >= 20
        assert service.figures().core_age < 5.0


async def test_who_does_not_read_the_answers_is_put_out(tmp_path, monkeypatch):
    monkeypatch.setattr(local, "PATIENCE", 0.2)
    monkeypatch.setattr(local, "Rates", lambda: Rates(1e9, 1e9))
    async with running(tmp_path) as service:
        with socket.socket(socket.AF_UNIX) as deaf:
            deaf.connect(str(service._door.path))
            deaf.setblocking(False)
            loop = asyncio.get_running_loop()
            with pytest.raises((BrokenPipeError, ConnectionResetError)):
                await asyncio.wait_for(loop.sock_sendall(deaf, b'{"act": "nonsense"}\n' * 500_000), 30)
        await until(lambda: not service._door._peers)


async def test_one_account_cannot_take_all_the_room(tmp_path):
    async with running(tmp_path) as service:
        visitors = [Visitor(service._door.path) for _ in range(OF_ONE + 1)]
        for visitor in visitors:
            await visitor.__aenter__()
        assert "too many connections" in (await visitors[-1].hears())["why"]
        await visitors.pop().__aexit__()
        assert (await visitors[0].says(act="note", text="still here"))["outcome"] == "done"
        for visitor in visitors:
            await visitor.__aexit__()
        await until(lambda: not service._door._peers)


@pytest.mark.skipif(os.getuid() != 0, reason="only the superuser can start a process of another account")
async def test_another_account_is_refused_by_the_kernel_or_by_the_grants(tmp_path):
    open_to_all = Path(tempfile.mkdtemp(prefix="door-"))  # pytest's folders are closed to other accounts
    open_to_all.chmod(0o755)
    request = {"act": "note", "text": "hello"}
    try:
        at = f'\n[doors.local]\nsocket = "{open_to_all}/a.door"\n'
        async with running(tmp_path / "one", door=at + DOOR) as service:
            error, _ = await asyncio.to_thread(knock_as, "nobody", service._door.path, request)
            assert error == "PermissionError"
        in_group = f'{at}group = "nogroup"\n{DOOR}'
        async with running(tmp_path / "two", door=in_group) as service:
            _, said = await asyncio.to_thread(knock_as, "nobody", service._door.path, request)
            answer = json.loads(said)
            assert (answer["outcome"], answer["who"]) == ("not_allowed", "local:nobody")
            assert service.figures().acts == {"not_allowed": 1}
        notes_only = f'{in_group}[doors.local.allow.others]\nusers = ["nobody"]\nacts = ["note"]\n'
        async with running(tmp_path / "three", door=notes_only) as service:
            _, said = await asyncio.to_thread(knock_as, "nobody", service._door.path, request)
            assert json.loads(said)["outcome"] == "done"
            _, said = await asyncio.to_thread(knock_as, "nobody", service._door.path, {"act": "acknowledge", "alarm": ALARM})
            assert json.loads(said)["outcome"] == "not_allowed"
    finally:
        shutil.rmtree(open_to_all)


async def test_a_door_that_cannot_be_opened_is_told_and_the_line_is_watched(tmp_path):
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "core-3.door").write_text("a file of somebody's")
    async with running(tmp_path) as service:
        await raised(service)
        figures = service.figures()
        assert "no socket" in figures.door_trouble
        assert any("door" in reason for reason in judge(figures).reasons)
    assert (tmp_path / "state" / "core-3.door").read_text() == "a file of somebody's"


def test_what_a_killed_daemon_left_is_replaced_and_what_another_uses_is_not(tmp_path):
    path = tmp_path / "a.door"
    first = open_socket(path, "")
    with pytest.raises(ValueError, match="another process"):
        open_socket(path, "")
    first.close()  # as a kill does: the name stays
    assert path.exists()
    open_socket(path, "").close()
    with pytest.raises(KeyError):
        open_socket(tmp_path / "b.door", "no-such-group")
    with pytest.raises(ValueError, match="shorter"):
        open_socket(tmp_path / ("x" * 120), "")


async def test_a_reload_changes_who_may_and_shuts_the_door(tmp_path):
    async with running(tmp_path) as service:
        file = tmp_path / "plant" / "config" / "core-3.toml"
        whole = file.read_text()
        async with Visitor(service._door.path) as stays:
            assert (await stays.says(act="note", text="x"))["outcome"] == "done"
            file.write_text(whole + 'acts = ["acknowledge"]\n')
            assert await service.reload(load_line(file)) == ""
            assert await stays.reader.read() == b"", "whoever is in by an old grant is put out"
        await until(lambda: not service._door.trouble)
        async with Visitor(service._door.path) as visitor:
            assert (await visitor.says(act="note", text="x"))["outcome"] == "not_allowed"
        path = service._door.path
        file.write_text(whole.replace(DOOR, ""))
        assert await service.reload(load_line(file)) == ""
        assert not path.exists()
        assert service.figures().acts == {"done": 1, "not_allowed": 1}
        assert service.figures().door_trouble == ""


async def test_the_command_says_what_became_of_it(tmp_path, monkeypatch):
    monkeypatch.setenv("METREPOST_STATE", str(tmp_path / "state"))
    file = str(tmp_path / "plant" / "config" / "core-3.toml")

    async def typed(*arguments):
        return await asyncio.to_thread(CliRunner().invoke, app, ["act", file, *arguments])

    async with running(tmp_path) as service:
        await raised(service)
        done = await typed("acknowledge", ALARM, "--json")
        assert done.exit_code == 0, done.output
        (answer,) = [
            msgspec.json.decode(row) for row in done.stdout.splitlines() if row.startswith("{")
        ]  # beside the daemon's log
        assert answer["outcome"] == "done"
        assert (await typed("acknowledge", ALARM)).exit_code == 1
        wrong = await typed("shelve", "endpoint.gauge", "--for", "30min", "--reason", "cleaning")
        assert wrong.exit_code == 2
        assert f"nearest is {ALARM}" in wrong.stderr
        shelved = await typed("shelve", ALARM, "--for", "30min", "--reason", "cleaning")
        assert f"done by local:{ME}" in shelved.stdout
        assert (await typed("clock-step")).exit_code == 2
    nobody = await typed("note", "--text", "x")
    assert nobody.exit_code != 0
    assert "is the daemon running" in str(nobody.exception)


def test_the_line_file_is_refused_with_every_fault_of_its_doors(tmp_path):
    bad = '\n[doors.local]\nsockets = "x"\n[doors.local.allow.desk]\nacts = ["clock_step"]\n[doors.local.allow.none]\n'
    with pytest.raises(Exception, match="clock_step") as refused:
        load_line(line_folder(tmp_path, NOWHERE, 9, bad))
    assert "sockets" in str(refused.value)


def test_the_kernel_says_who_it_is():
    """The kernel names the peer of a pair: this very process."""
    one, other = socket.socketpair()
    with one, other:
        assert uid_of(one) == os.getuid()
    assert account(os.getuid()).name == ME
    assert account(3_999_999_999).name == "uid 3999999999"
