"""A command in the test's own process: what a started one would do, without its two seconds of imports."""

import pytest

from metrepost.commands import main


def called(folder, monkeypatch, capsys, *arguments):
    """`metrepost ARGUMENTS` in a folder: its exit code and what it said on standard error, in one line."""
    monkeypatch.chdir(folder)
    monkeypatch.setattr("sys.argv", ["metrepost", *(str(a) for a in arguments)])
    with pytest.raises(SystemExit) as ended:
        main.main()
    said = " ".join(capsys.readouterr().err.replace("│", " ").split())
    assert "Traceback" not in said
    return ended.value.code, said
