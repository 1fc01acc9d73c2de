"""Where the nodes of a line file stand in the address space of a simulated OPC UA server."""

import re
from typing import Any

from asyncua import Server, ua

from metrepost.endpoints.opcua_nodes import resolve, unescape
from metrepost.endpoints.opcua_paths import steps

from .line_file import Node

_WRITTEN = re.compile(r"^(?:nsu=(?P<uri>[^;]+)|ns=(?P<index>\d+));")
OWN_SPACE = "urn:simulated:line"
"""Namespace of nodes whose line file names none."""

Folders = dict[tuple[int, str], Any]


async def place(server: Server, node: Node, first: Any, folders: Folders) -> Any:
    """Add the variable of a node, holding `first`; objects above it are made once and kept in `folders`.

    Raises NodeError for a node id that no server can have.
    """
    if node.path:
        return await _by_path(server, node, first, folders)
    if node.written:
        return await _by_id(server, node, first)
    space = await server.register_namespace(node.uri)
    folder, _, name = node.identifier.rpartition(".")
    if (space, folder) not in folders:
        identifier = ua.NodeId(folder, space)
        folders[space, folder] = await server.nodes.objects.add_object(identifier, ua.QualifiedName(folder, space))
    return await folders[space, folder].add_variable(ua.NodeId(node.identifier, space), ua.QualifiedName(name, space), first)


async def _by_id(server: Server, node: Node, first: Any) -> Any:
    """A node id of any form; a namespace index that the server has not got yet is filled up to."""
    match = _WRITTEN.match(node.written)
    if match and match["uri"]:
        await server.register_namespace(unescape(match["uri"]))
    wanted = int(match["index"]) if match and match["index"] else 0
    while len(spaces := await server.get_namespace_array()) <= wanted:
        await server.register_namespace(f"{OWN_SPACE}:{len(spaces)}")
    identifier = resolve(node.written, spaces)
    return await server.nodes.objects.add_variable(identifier, ua.QualifiedName(node.tag, identifier.NamespaceIndex), first)


async def _by_path(server: Server, node: Node, first: Any, folders: Folders) -> Any:
    """A node that is found by the names above it; a name without a namespace stands in one of its own."""
    above, walked = server.nodes.objects, ""
    *objects, (last_uri, last) = steps(node.path)[1:]
    for uri, name in objects:
        space = await server.register_namespace(uri or OWN_SPACE)
        walked += f"/{uri};{name}"
        if (space, walked) not in folders:
            folders[space, walked] = await above.add_object(space, name)
        above = folders[space, walked]
    space = await server.register_namespace(last_uri or OWN_SPACE)
    return await above.add_variable(space, last, first)
