"""Who is at the other end of a UNIX socket: the kernel says so (SO_PEERCRED, unix(7) of Linux), not the peer."""

import grp
import os
import pwd
import socket
import struct

from .permission import Peer

_CREDENTIALS = struct.Struct("3i")  # pid, uid, gid


def uid_of(connection: socket.socket) -> int:
    """The user id that the peer had when it connected. Raises OSError."""
    raw = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    return int(_CREDENTIALS.unpack(raw)[1])


def account(uid: int) -> Peer:
    """Name and groups of an account. May ask a directory over the network: not on the loop. Never raises for who is not known."""
    try:
        entry = pwd.getpwuid(uid)
    except KeyError:
        return Peer(uid, f"uid {uid}", ())
    groups: list[str] = []
    for gid in os.getgrouplist(entry.pw_name, entry.pw_gid):
        try:
            groups.append(grp.getgrgid(gid).gr_name)
        except KeyError:
            continue
    return Peer(uid, entry.pw_name, tuple(groups))
