"""A broker that keeps nothing is killed, and who listens comes late: what it lost is counted where it can be, and fetched by position."""

import json

import pytest
from typer.testing import CliRunner

from metrepost.commands.main import app
from metrepost.readings import Act
from support_broker import Broker, Recorder
from support_daemon import line_folder
from support_service import NOWHERE, ROOT, running, until

pytestmark = pytest.mark.broker
EACH = 5


async def test_a_consumer_that_exports_by_position_ends_complete(tmp_path):
    def numbers(rows):
        return {int(json.loads(row)["id"].rpartition("-")[2]) for row in rows}

    with Broker(tmp_path / "broker", persistence=False) as broker:
        file = line_folder(tmp_path, NOWHERE, broker.port)
        async with running(file, tmp_path / "state") as service:

            async def tell():
                """Some events, to the last acknowledgement."""
                upto = service._journal.positions("event").last + EACH
                for _ in range(EACH):
                    service.act(Act("note", service.clock.line_time(), who="mara", text="look"))
                await until(lambda: service._journal.positions("event").last >= upto)
                await service.publisher.drained()

            with Recorder(broker.port, ROOT + "event/#", client_id="consumer") as early:
                await tell()
                await early.until(lambda ms: len(ms) >= EACH)
            heard = numbers(early.payloads(ROOT))
            before = service.figures().unheard
            await tell()  # queued for a session that is away: acknowledged as heard
            assert service.figures().unheard == before
            broker.kill()
            broker.start()
            await until(lambda: service.figures().broker_connected)
            await tell()
            unheard = service.figures().unheard - before
            assert unheard >= EACH
            with Recorder(broker.port, ROOT + "state", client_id="operator") as state:
                await state.until(lambda ms: any(json.loads(m.payload).get("unheard", 0) >= before + EACH for m in ms), 30)
            with Recorder(broker.port, ROOT + "event/#", client_id="consumer") as late:
                await tell()
                await late.until(lambda ms: len(ms) >= EACH)
            heard |= numbers(late.payloads(ROOT))
            holes = set(range(1, max(heard) + 1)) - heard
            assert len(holes) >= 2 * EACH, "the broker kept what it must not"
            upto = min(holes) - 1
            position = f"{service._journal.epoch}:{upto}"
            asked = ("export", str(file), "--stream", "event", "--after", position, "--state", str(tmp_path / "state"))
            answer = CliRunner().invoke(app, asked)
    assert answer.exit_code == 0, answer.output
    fetched = numbers(answer.stdout.splitlines())
    assert min(fetched) == upto + 1
    assert heard | fetched == set(range(1, max(fetched) + 1)), "complete"
