"""Which doors a line has, and who may do what there."""

from typing import Literal, get_args

import msgspec

PeoplesAct = Literal[
    "acknowledge",
    "reset",
    "shelve",
    "unshelve",
    "out_of_service",
    "in_service",
    "splice",
    "scrap",
    "sample",
    "note",
    "drop_seen",
]
PEOPLES_ACTS: tuple[PeoplesAct, ...] = get_args(PeoplesAct)
"""Acts that may come through a door. Those of the daemon's own (clock, endpoints) never do."""


class Grant(msgspec.Struct, frozen=True):
    """Who may do what: accounts of this host by name, groups by name, and the acts."""

    name: str
    users: tuple[str, ...]
    groups: tuple[str, ...]
    acts: tuple[str, ...] = PEOPLES_ACTS


class LocalDoorPlan(msgspec.Struct, frozen=True):
    """A UNIX socket on this host. `socket` is a path, relative to the state folder; `group` owns it ("": the daemon's own)."""

    socket: str
    group: str
    grants: tuple[Grant, ...]


class DoorsPlan(msgspec.Struct, frozen=True):
    """The doors of one line; None: not opened."""

    local: LocalDoorPlan | None = None
