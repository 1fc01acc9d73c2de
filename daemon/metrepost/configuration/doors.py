"""The doors of a line."""

from ..doors.plan import PEOPLES_ACTS, DoorsPlan, Grant, LocalDoorPlan
from .pieces import Pieces


def resolve_doors(pieces: Pieces) -> DoorsPlan:
    """The doors that the line file opens; none without [doors]."""
    table = pieces.doors.local if pieces.doors is not None else None
    if table is None:
        return DoorsPlan()
    grants: list[Grant] = []
    for name, grant in table.allow.items():
        if not grant.users and not grant.groups:
            pieces.document.fault(
                ("doors", "local", "allow", name), "names nobody; write users or groups, accounts of this host"
            )
        acts = PEOPLES_ACTS if grant.acts is None else tuple(dict.fromkeys(grant.acts))
        grants.append(Grant(name, tuple(grant.users), tuple(grant.groups), acts))
    name = pieces.line.name if pieces.line is not None else "-"
    return DoorsPlan(LocalDoorPlan(table.socket or f"{name}.door", table.group or "", tuple(grants)))
