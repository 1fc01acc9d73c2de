"""The systemd unit that is shipped: systemd's own checker finds nothing wrong with it, and it stays hardened."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from metrepost.configuration.shipped import shipped_config

UNIT = shipped_config() / "metrepost.service"
needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")


def analyze(*arguments):
    return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, check=False, timeout=60)


@needs_systemd
def test_the_unit_is_valid(tmp_path):
    # the command stands where the unit looks for it only on a machine it is installed on
    command = tmp_path / "metrepost"
    command.write_text("#!/bin/sh\n")
    command.chmod(0o755)
    unit = tmp_path / "metrepost.service"
    unit.write_text(UNIT.read_text().replace("/opt/metrepost/bin/metrepost", str(command)))
    verdict = analyze("verify", "--man=no", str(unit))
    assert verdict.returncode == 0, verdict.stderr
    assert str(unit) not in verdict.stderr
    assert "metrepost.service:" not in verdict.stderr


@needs_systemd
def test_the_unit_is_hardened():
    """systemd rates the exposure of a unit from 0 to 10; below 2 is what its own daemons reach."""
    verdict = analyze("security", "--offline=true", str(UNIT))
    exposure = re.search(r"Overall exposure level for \S+: ([\d.]+)", verdict.stdout)
    assert exposure is not None, verdict.stdout + verdict.stderr
    assert float(exposure[1]) < 2.0


def test_the_unit_reloads_and_watches_with_options_that_exist():
    text = UNIT.read_text()
    source = Path(__file__).parents[2] / "daemon" / "metrepost" / "commands"
    for option in re.findall(r"^Exec\w+=.*$", text, re.MULTILINE):
        for flag in re.findall(r"--[a-z-]+", option):
            assert any(f'"{flag}"' in file.read_text() for file in source.glob("*.py")), flag
    assert "WatchdogSec=30s" in text
    assert "Type=notify" in text
