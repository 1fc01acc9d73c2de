"""Doors for acts from outside: what the line file says of them."""

from pydantic import Field

from ...doors.plan import PeoplesAct
from ..table import Filled, Identifier, Table


class GrantTable(Table):
    """Accounts and groups of this host, and the acts that they may do (all acts of people when left out)."""

    users: list[Filled] = Field(default_factory=list)
    groups: list[Filled] = Field(default_factory=list)
    acts: list[PeoplesAct] | None = Field(default=None, min_length=1)


class LocalDoorTable(Table):
    """A UNIX socket on this host; `socket` is a path, relative to the state folder, `group` the group that owns it."""

    socket: Filled | None = None
    group: Filled | None = None
    allow: dict[Identifier, GrantTable] = Field(min_length=1)


class DoorsTable(Table):
    """How acts come in from outside. Without this table they do not."""

    local: LocalDoorTable | None = None
