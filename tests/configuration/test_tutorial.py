"""The tutorial of config/README.md, followed as it is written: every command ends well, on a line that no test knew before."""

import os
import re
import signal
import subprocess
import sys

import msgspec

from metrepost.configuration import shipped_config
from metrepost.journal import Reader
from metrepost.points import store
from metrepost.points.model import Signature
from support_modbus import free_port

TEXT = (shipped_config() / "README.md").read_text(encoding="utf-8")


def steps():
    """Its commands, with free ports for those that the text names."""
    section = TEXT.partition("## A new line, step by step")[2].partition("\n## ")[0]
    script = "\n".join(re.findall(r"```sh\n(.*?)```", section, re.DOTALL))
    for port in ("5502", "5540", "1883"):
        assert f":{port}" in script
        script = script.replace(f":{port}", f":{free_port()}")
    return script


def test_every_step_ends_well_and_leaves_what_it_promises(tmp_path):
    (tmp_path / "bin").mkdir()
    shim = tmp_path / "bin" / "metrepost"
    shim.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m metrepost "$@"\n')
    shim.chmod(0o755)
    environ = {**os.environ, "PATH": f"{shim.parent}:{os.environ['PATH']}"}
    environ.pop("METREPOST_STATE", None)
    said = tmp_path / "said"
    with said.open("wb") as out:
        process = subprocess.Popen(
            ["sh", "-eux"], cwd=tmp_path, env=environ, stdin=subprocess.PIPE, stdout=out, stderr=out, start_new_session=True
        )
        try:
            process.communicate(steps().encode(), timeout=110)
        finally:
            os.killpg(process.pid, signal.SIGKILL)  # the simulator goes on in the background
            process.wait(10)
    words = said.read_text(errors="replace")
    assert process.returncode == 0, words[-3000:]
    assert "no fault" in words
    assert "6 points: 2 pass, 3 waived, 1 derived" in words
    plant = tmp_path / "core-9"
    book = store.load(plant / "state", "core-9")
    assert isinstance(book.records[-1], Signature)
    assert "Kim" in (plant / "sheet.html").read_text()
    assert "diameter.deadband" in (plant / "deadband.svg").read_text()
    assert msgspec.json.decode((plant / "addresses.json").read_bytes())["addresses"]
    with Reader(plant / "state", "core-9") as reader:
        kinds = [msgspec.json.decode(row.payload)["type"] for row in reader.export("event")]
    assert kinds.count("metrepost.configuration.v1") == 3, "the journal was made, the daemon started and stopped"
    assert kinds.count("metrepost.endpoint.v1") >= 2, "both endpoints answered"
