"""What a server has to offer below a path: every node that can be reached, with what an engineer asks of it. Browse and Read only."""

from collections.abc import Sequence
from typing import Any

import msgspec
from asyncua import ua

from . import opcua_security
from .opcua_health import Pace
from .opcua_link import Link, RefusedError
from .opcua_nodes import NodeError, written
from .opcua_paths import Paths, written_step
from .opcua_subscription import status_name
from .plan import OpcUaEndpoint, OpcUaPoint

LIMIT = 2000
"""Variables after which browsing ends: no person reads more, and a server should not be made to tell all it has."""
_CHUNK = 100
_NUMBERS = frozenset(["Boolean", "SByte", "Byte", "Int16", "UInt16", "Int32", "UInt32", "Int64", "UInt64", "Float", "Double"])


class Variable(msgspec.Struct, frozen=True):
    """One variable. `node` is a node id with its namespace by URI, `path` the names from Objects on.

    `type` is that of the present value (of the data type attribute when there is none), `[]` behind it for an array. `value` is the
    present value as text, or "" with the `status` that stands in its place. `access` is ours: ``read``, ``read, write``, ``none``.
    `number`: a tag can be made of it.
    """

    node: str
    path: str
    type: str
    value: str
    status: str
    access: str
    number: bool


class Browsed(msgspec.Struct, frozen=True):
    """Variables in the server's order, breadth first; whether there are more; and below which paths the server let us not look."""

    variables: list[Variable]
    more: bool
    refused: list[str]


async def browse(endpoint: OpcUaEndpoint, path: str = "Objects", limit: int = LIMIT) -> Browsed:
    """At most `limit` variables at and below `path`.

    The server's own object (Objects/Server) is left out unless the path leads into it. Raises NodeError for a path that is not there,
    OpcUaSettingsError, and EndpointError for a server that does not answer or refuses.
    """
    opcua_security.check(endpoint)
    pace = Pace()
    link = await Link.open(endpoint, pace.bridge, pace.channel)
    try:
        namespaces = await link.namespaces()
        refused: list[str] = []
        found, more = await _walk(link, namespaces, path.rstrip("/"), limit, refused)
        made: list[Variable] = []
        for at in range(0, len(found), _CHUNK):
            made += await _described(link, namespaces, found[at : at + _CHUNK])
        return Browsed(made, more, refused)
    finally:
        await link.close()


async def _walk(
    link: Link, namespaces: Sequence[str], path: str, limit: int, refused: list[str]
) -> tuple[list[tuple[Any, str]], bool]:
    start = top = ua.NodeId(ua.ObjectIds.ObjectsFolder)
    if path != "Objects":
        start = await Paths(link, namespaces).node_of(OpcUaPoint("", "", path))
    seen, waiting, found = {start, top, ua.NodeId(ua.ObjectIds.Server)}, [(start, path)], []
    (kind,) = await link.read([start], ua.AttributeIds.NodeClass)
    if kind.Value is not None and kind.Value.Value == ua.NodeClass.Variable:
        found.append((start, path))
    while waiting:
        node, walked = waiting.pop(0)
        try:
            below = await link.browse(node)
        except RefusedError as error:
            if node == start:
                raise
            refused.append(f"{walked}: {error.reason}")  # one locked drawer is no reason to show none
            continue
        names = [each.BrowseName.Name for each in below]
        for each in below:
            there = each.NodeId
            index = int(each.BrowseName.NamespaceIndex)
            uri = namespaces[index] if names.count(each.BrowseName.Name) > 1 and index < len(namespaces) else ""
            if getattr(there, "ServerIndex", 0) or each.NodeClass not in (ua.NodeClass.Object, ua.NodeClass.Variable):
                continue
            there = ua.NodeId(there.Identifier, there.NamespaceIndex, there.NodeIdType)
            if there in seen:
                continue  # references may lead back, and one node may hang below several
            seen.add(there)
            step = f"{walked}/{written_step(str(each.BrowseName.Name), uri)}"
            if each.NodeClass == ua.NodeClass.Variable:
                if len(found) == limit:
                    return found, True
                found.append((there, step))
            waiting.append((there, step))
    return found, False


async def _described(link: Link, namespaces: Sequence[str], found: list[tuple[Any, str]]) -> list[Variable]:
    nodes = [node for node, _ in found]
    values = await link.read(nodes)
    types = await link.read(nodes, ua.AttributeIds.DataType)
    levels = await link.read(nodes, ua.AttributeIds.UserAccessLevel)
    return [
        _variable(written(node, namespaces), path, value, kind, level)
        for (node, path), value, kind, level in zip(found, values, types, levels, strict=True)
    ]


def _variable(node: str, path: str, value: Any, kind: Any, level: Any) -> Variable:
    variant, code = value.Value, int(value.StatusCode.value) if value.StatusCode is not None else 0
    present = variant is not None and variant.VariantType != ua.VariantType.Null
    array = present and isinstance(variant.Value, list)
    name = variant.VariantType.name if present else _type_name(kind.Value.Value if kind.Value is not None else None)
    bits = int(level.Value.Value) if level.Value is not None and level.Value.Value is not None else 0
    access = ", ".join(word for bit, word in ((1, "read"), (2, "write")) if bits & bit) or "none"
    text = "" if not present else variant.Value if isinstance(variant.Value, str) else repr(variant.Value)
    number = name in _NUMBERS and not array and bool(bits & 1)
    return Variable(node, path, name + "[]" * array, text, status_name(code), access, number)


def _type_name(data_type: Any) -> str:
    if isinstance(data_type, ua.NodeId) and data_type.NamespaceIndex == 0:
        return str(ua.ObjectIdNames.get(data_type.Identifier, data_type.to_string()))
    return "" if data_type is None else str(data_type.to_string())


__all__ = ["LIMIT", "NodeError", "Variable", "browse"]
