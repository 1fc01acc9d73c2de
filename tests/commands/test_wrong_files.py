"""Every command that takes a line file, given one that cannot be: exit code 3, the file named, what is wrong said, no traceback."""

import pytest

from metrepost.commands import exits, main
from metrepost.configuration.shipped import shipped_config
from support_cli import called

COMMANDS = {
    "run": ["--state", "state"],
    "check": [],
    "probe": [],
    "points": ["--status"],
    "simulate": ["--free-ports", "--for", "1s"],
    "record": ["--out", "out", "--for", "1s"],
    "rehearse": ["recording.csv"],
    "export": ["--stream", "event"],
    "load": [],
    "act": ["note", "--text", "x"],
    "reload": [],
}
"""What each needs beside the line."""
FILES = {
    "absent.toml": (None, "there is no line file"),
    "folder.toml": ("", "there is no line file"),
    "empty.toml": (b"", "format"),
    "binary.toml": (bytes(range(256)) * 8, "UTF-8"),
    "broken.toml": (b"format = 1\n[line\n", "line 2"),
    "other.toml": (b"format = 1\n[rule.x]\nkind = 'band'\n", "[line] is missing"),
    "future.toml": (b"format = 2\n[line]\nname = 'a'\n", "format"),
}


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_line_file_that_cannot_be(tmp_path, monkeypatch, capsys, command, name):
    content, words = FILES[name]
    if content == "":
        (tmp_path / name).mkdir()
    elif content is not None:
        (tmp_path / name).write_bytes(content)
    code, said = called(tmp_path, monkeypatch, capsys, command, name, *COMMANDS[command])
    assert code == exits.CONFIGURATION, said
    assert name in said
    assert words in said


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["rehearse", "core-3", "absent.parquet"], exits.CONFIGURATION, "absent.parquet"),
        (["rehearse", "core-3", "folder"], exits.CONFIGURATION, "no recording in this folder"),
        (["rehearse", "core-3", "text.csv"], exits.CONFIGURATION, "text.csv"),
        (["rehearse", "core-3", "text.parquet"], exits.CONFIGURATION, "cannot be read as Parquet"),
        (["rehearse", "core-3", "text.csv", "--against", "absent"], exits.CONFIGURATION, "absent"),
        (["rehearse", "core-3", "text.csv", "--mapping", "absent.toml"], exits.CONFIGURATION, "absent.toml"),
        (["rehearse", "core-3", "text.csv", "--mapping", "text.csv"], exits.CONFIGURATION, "text.csv"),
        (["points", "core-3", "--from", "absent.toml", "--by", "Kim"], exits.CONFIGURATION, "absent.toml"),
        (["simulate", "core-3", "--free-ports", "--faults", "gauges:explode@5%"], exits.CONFIGURATION, "explode"),
        (["act", "core-3", "dance"], exits.USAGE, "dance"),
        (["reload", "core-3", "--state", "folder"], exits.STATE, "no daemon"),
        (["export", "core-3", "--state", "text.csv"], exits.STATE, "text.csv"),
        (["run", "core-3", "--health", "0.0.0.0:80"], exits.USAGE, "loopback"),
        (["run"], exits.USAGE, "LINE"),
        (["check", "core-3", "too", "many"], exits.USAGE, "too"),
        (["schema", "line", "--nonsense"], exits.USAGE, "nonsense"),
    ],
)
def test_other_arguments_that_cannot_be(tmp_path, monkeypatch, capsys, arguments, code, words):
    (tmp_path / "folder").mkdir()
    (tmp_path / "text.csv").write_text("no recording at all\n")
    (tmp_path / "text.parquet").write_text("no recording at all\n")
    found, said = called(tmp_path, monkeypatch, capsys, *arguments)
    assert found == code, said
    assert words in said


def test_a_device_that_is_not_there(tmp_path, monkeypatch, capsys):
    """Nothing listens on the ports of a line file nobody serves: probe says so for each tag, and ends."""
    text = (shipped_config() / "core-3.toml").read_text()
    for port in ("5020", "5021", "4840"):
        text = text.replace(f":{port}", ":9")
    for part in ("products",):
        (tmp_path / part).symlink_to(shipped_config() / part)
    (tmp_path / "core-3.toml").write_text(text)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.argv", ["metrepost", "probe", "core-3.toml", "capstan.length", "trough.water"])
    with pytest.raises(SystemExit) as ended:
        main.main()
    out = capsys.readouterr()
    assert ended.value.code == exits.FAILED, out
    assert "Traceback" not in out.err
    assert out.out.count("bad") >= 2
