"""The file in the state folder: whole or as it was, whatever happens while it is written."""

import os
import stat
import threading
from pathlib import Path

import pytest

from metrepost.journal.errors import JournalError
from metrepost.points.store import add, file_of, load
from support_points import tried


def test_records_are_added_and_come_back(tmp_path):
    folder = tmp_path / "state"
    assert load(folder, "core-3").records == ()
    add(folder, "core-3", [tried()])
    add(folder, "core-3", [tried(by="Robin"), tried(value=4.9)])
    assert [r.by for r in load(folder, "core-3").records] == ["Kim", "Robin", "Kim"]


def test_two_people_at_once_lose_nothing(tmp_path):
    def many(name):
        for _ in range(10):
            add(tmp_path, "core-3", [tried(by=name)])

    threads = [threading.Thread(target=many, args=(name,)) for name in ("Kim", "Robin")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(r.by for r in load(tmp_path, "core-3").records) == ["Kim"] * 10 + ["Robin"] * 10


class Killed(BaseException):
    """In place of a SIGKILL: nothing of ours catches it."""


@pytest.mark.parametrize("at", ["write", "fsync", "replace"])
def test_an_end_at_any_moment_of_writing_leaves_the_old_file_whole(tmp_path, monkeypatch, at):
    add(tmp_path, "core-3", [tried()])
    before = file_of(tmp_path, "core-3").read_bytes()

    def killed(*_, **__):
        raise Killed

    if at == "write":
        genuine = Path.open

        def opened(path, mode="r", *more, **options):
            if mode != "wb":
                return genuine(path, mode, *more, **options)
            with genuine(path, mode) as stream:
                stream.write(b"{")  # half of it is on the disk when the end comes
            raise Killed

        monkeypatch.setattr(Path, "open", opened)
    else:
        monkeypatch.setattr(*{"fsync": (os, "fsync"), "replace": (Path, "replace")}[at], killed)
    with pytest.raises(Killed):
        add(tmp_path, "core-3", [tried(by="Robin")])
    monkeypatch.undo()
    assert file_of(tmp_path, "core-3").read_bytes() == before
    add(tmp_path, "core-3", [tried(by="Sam")])  # what the end left behind is in nobody's way
    assert [r.by for r in load(tmp_path, "core-3").records] == ["Kim", "Sam"]


def test_the_file_is_synced_before_it_takes_the_name_and_the_folder_after(tmp_path, monkeypatch):
    order = []
    fsync, replace = os.fsync, Path.replace

    def synced(handle):
        order.append("folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file")
        fsync(handle)

    def renamed(path, target):
        order.append("rename")
        return replace(path, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", renamed)
    add(tmp_path, "core-3", [tried()])
    assert order == ["file", "rename", "folder"]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"line": "core-4", "format": 1}', '{"line": "core-3", "format": 2}'])
def test_a_file_that_is_none_is_left_alone_and_told(tmp_path, text):
    file = file_of(tmp_path, "core-3")
    file.write_text(text)
    with pytest.raises(JournalError, match="point sheet"):
        add(tmp_path, "core-3", [tried()])
    assert file.read_text() == text
