"""Epochs: what makes numbers unique over a journal that had to begin anew, and what is known of the one before."""

import json
import os
import secrets
import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import NamedTuple

from ..publish.cloudevents import STREAMS, Stream
from .database import connect

ALPHABET = "abcdefghijklmnopqrstuvwxyz234567"
LENGTH = 12


def new_epoch() -> str:
    """12 characters of a–z2–7: 60 random bits."""
    return "".join(secrets.choice(ALPHABET) for _ in range(LENGTH))


class Before(NamedTuple):
    """The epoch before this one. `last` holds what is known of its last numbers; at least that many were given."""

    epoch: str = ""
    last: dict[Stream, int] = {}  # noqa: RUF012 a NamedTuple's default, never changed


def note(file: Path, epoch: str, last: dict[Stream, int]) -> None:
    """Write beside the journal what a later daemon must know should the journal itself be lost. Best effort."""
    with suppress(OSError):
        beside = file.with_suffix(".epoch")
        draft = beside.with_suffix(".epoch-new")
        draft.write_text(json.dumps({"epoch": epoch, "last": last}))
        os.replace(draft, beside)


def before(file: Path) -> Before:
    """What can still be learnt of a damaged journal: from its own tables when they can be read, and from the note beside it."""
    noted = _noted(file.with_suffix(".epoch"))
    read = _read(file)
    if read.epoch and noted.epoch not in {"", read.epoch}:
        return read
    last = {s: max(read.last.get(s, 0), noted.last.get(s, 0)) for s in STREAMS if s in read.last or s in noted.last}
    return Before(read.epoch or noted.epoch, last)


def _noted(beside: Path) -> Before:
    try:
        known = json.loads(beside.read_text())
        return Before(str(known["epoch"]), {s: int(known["last"][s]) for s in STREAMS})
    except (OSError, ValueError, KeyError, TypeError):
        return Before()


def _read(file: Path) -> Before:
    try:
        with closing(connect(file, read_only=True)) as connection:
            (epoch,) = connection.execute("SELECT name FROM epoch").fetchone()
            last = dict(connection.execute("SELECT name, last FROM stream").fetchall())
            return Before(str(epoch), {s: int(last[s]) for s in STREAMS})
    except (sqlite3.Error, TypeError, KeyError, ValueError):
        return Before()


def set_aside(file: Path, stamp: str) -> Path:
    """Rename a damaged journal with its side files; returns its new name. `stamp` is a time fit for file names."""
    target = file.with_name(f"{file.stem}.damaged-{stamp}{file.suffix}")
    number = 1
    while target.exists():
        number += 1
        target = file.with_name(f"{file.stem}.damaged-{stamp}-{number}{file.suffix}")
    for side in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            os.replace(f"{file}{side}", f"{target}{side}")
    os.replace(file, target)
    return target
