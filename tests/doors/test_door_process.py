"""A daemon as a process: what was answered stands after SIGKILL, and the socket it left does not keep the next one out."""

import json
import signal
import time

from metrepost.doors.client import DoorError, say
from support_daemon import Process, command, line_folder
from support_doors import ALARM, DOOR, ME, NOWHERE


def said_when_raised(path, request, seconds=60):
    """Say it until the alarm stands and the act is done; an alarm that is normal has nothing to acknowledge."""
    until = time.monotonic() + seconds
    while True:
        try:
            answer = say(path, request, 30)
        except DoorError:
            assert time.monotonic() < until, "the door did not open"
        else:
            if answer.outcome == "done":
                return answer
            assert time.monotonic() < until, answer
        time.sleep(0.15)  # fewer than the door takes in a second


def test_what_was_answered_stands_after_a_kill(tmp_path):
    file, state = line_folder(tmp_path, NOWHERE, 9, DOOR), tmp_path / "state"
    path = state / "core-3.door"
    with Process("run", file, "--state", state, folder=tmp_path) as daemon:
        answer = said_when_raised(path, {"act": "acknowledge", "alarm": ALARM, "reason": "seen"})
        daemon.process.send_signal(signal.SIGKILL)
        daemon.process.wait(20)
        assert path.exists(), "a kill leaves the socket"
        rows = [json.loads(row) for row in command("export", file, "--state", state).stdout.splitlines()]
        (event,) = [row["data"] for row in rows if int(row["sequence"]) in answer.sequences]
        assert (event["transition"], event["by"], event["reason"]) == ("acknowledged", f"local:{ME}", "seen")
    with Process("run", file, "--state", state, folder=tmp_path) as daemon:
        # the state stands as well as the event: what is acknowledged cannot be acknowledged again
        daemon.wait_for("watching")
        until = time.monotonic() + 30
        while True:
            try:
                again = say(path, {"act": "acknowledge", "alarm": ALARM}, 30)
                break
            except DoorError:
                assert time.monotonic() < until
                time.sleep(0.05)
        assert again.outcome == "refused"
        assert "acknowledged" in again.why
        assert daemon.stop() == 0
    assert not path.exists()
