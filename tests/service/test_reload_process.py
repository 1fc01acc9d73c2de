"""`metrepost reload` and SIGHUP on a running daemon: taken over whole, or not at all, and told either way."""

import json
import signal

from support_daemon import Process, command, line_folder, simulated, wait_for_event

NOWHERE = {"gauges": "127.0.0.1:9", "drives": "127.0.0.1:9", "plc": "opc.tcp://127.0.0.1:9/x"}


def edit(file, old, new):
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))


def told(file, state):
    rows = [json.loads(line)["data"] for line in command("export", file, "--state", state).stdout.splitlines()]
    return [r for r in rows if "what" in r and "version" in r]


def test_changed_files_are_taken_over_whole_or_not_at_all(tmp_path):
    file, state = line_folder(tmp_path, NOWHERE, 9), tmp_path / "state"
    rules = file.parent.parent / "rules" / "foam-core.toml"
    with Process("run", file, "--state", state, folder=tmp_path) as daemon:
        daemon.wait_for("watching")
        edit(rules, 'over = "1 m"', 'over = "0.75 m"')
        edit(file, "127.0.0.1:9", "127.0.0.1:8")
        done = command("reload", file, "--state", state, "--json")
        assert done.returncode == 0, done.stderr
        changes = {c["key"]: (c["before"], c["after"]) for c in json.loads(done.stdout)["changes"]}
        assert changes["rule.cold-diameter.over"] == ("1 m", "0.75 m")
        assert len(changes) == 2
        # a file that is wrong is refused here, before the daemon is bothered
        edit(rules, 'over = "0.75 m"', 'over = "0.5 kg"')
        wrong = command("reload", file, "--state", state)
        assert wrong.returncode == 3
        assert "rule.cold-diameter.over" in wrong.stderr
        # by the signal alone: refused by the daemon, which says every fault and goes on
        daemon.process.send_signal(signal.SIGHUP)
        daemon.wait_for("reload refused")
        edit(rules, 'over = "0.5 kg"', 'over = "0.75 m"')
        # what a running daemon cannot take over
        edit(file, "mqtt://127.0.0.1:9", "mqtt://127.0.0.1:7")
        broker = command("reload", file, "--state", state)
        assert broker.returncode == 3
        assert "restart" in broker.stdout
        assert daemon.stop() == 0
    words = [(r["what"], r["explanation"]) for r in told(file, state)]
    assert [w for w, _ in words] == ["epoch", "start", "reload", "reload_refused", "reload_refused", "stop"]
    assert "0.5 kg" in words[3][1]
    assert "broker" in words[4][1]
    nobody = command("reload", file, "--state", state)
    assert nobody.returncode == 4
    assert "metrepost run" in nobody.stderr


def test_a_changed_endpoint_is_connected_to_and_the_others_stay(tmp_path):
    with simulated(tmp_path, "--scenario", "steady") as (_sim, addresses):
        file, state = line_folder(tmp_path, addresses | {"drives": "127.0.0.1:9"}, 9), tmp_path / "state"
        with Process("run", file, "--state", state, folder=tmp_path) as daemon:
            daemon.wait_for("watching")
            edit(file, '"127.0.0.1:9"', f'"{addresses["drives"]}"')
            assert command("reload", file, "--state", state).returncode == 0
            wait_for_event(state, "endpoint", endpoint="drives", up=True)
            assert daemon.stop() == 0
        rows = [json.loads(r)["data"] for r in command("export", file, "--state", state).stdout.splitlines()]
        ups = [r["endpoint"] for r in rows if r.get("up") is True]
        assert ups.count("drives") == 1
        assert ups.count("gauges") == 1
