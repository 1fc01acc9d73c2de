"""Node ids as engineers write them, resolved against what the server says its namespaces are.

Indices of namespaces may change with every start of a server, their URIs do not: hence ``nsu=URI;s=NAME`` (OPC 10000-6, 5.3.1.11),
resolved anew at every connect.
"""

import re
from collections.abc import Sequence

from asyncua import ua

_FORM = re.compile(r"^(?:(?:nsu=(?P<uri>[^;]+)|ns=(?P<index>\d+));)?(?P<rest>[isgb]=.+)$", re.DOTALL)
EXAMPLES = "write nsu=URI;s=NAME or nsu=URI;i=NUMBER (also ns=INDEX;…, but an index may change when the server starts anew)"


class NodeError(ValueError):
    """A node id that cannot be resolved; says why."""


def unescape(uri: str) -> str:
    """A namespace URI as written in a node id: ``%3B`` stands for a semicolon and ``%25`` for a per cent sign."""
    return uri.replace("%3B", ";").replace("%3b", ";").replace("%25", "%")


def resolve(node: str, namespaces: Sequence[str]) -> ua.NodeId:
    """The server's own node id. Raises NodeError; for an unknown namespace it lists those of the server."""
    match = _FORM.match(node.strip())
    if match is None:
        raise NodeError(f"{node!r} is no node id; {EXAMPLES}")
    index = int(match["index"] or 0)
    if match["uri"] is not None:
        uri = unescape(match["uri"])
        if uri not in namespaces:
            raise NodeError(f"namespace {uri!r} is not on the server, which has: {', '.join(namespaces) or 'none'}")
        index = namespaces.index(uri)
    elif index >= len(namespaces):
        raise NodeError(f"namespace index {index} is not on the server, which has 0 to {len(namespaces) - 1}")
    try:
        return ua.NodeId.from_string(f"ns={index};{match['rest']}")
    except (ua.UaError, ValueError) as error:
        raise NodeError(f"{node!r} is no node id; {EXAMPLES}") from error


def written(node: ua.NodeId, namespaces: Sequence[str]) -> str:
    """A server's node id as `resolve` takes it, with the namespace by its URI (by its index when the server names none)."""
    rest = str(ua.NodeId(node.Identifier, 0, node.NodeIdType).to_string()).removeprefix("ns=0;")
    index = int(node.NamespaceIndex)
    if not index:
        return rest
    if index >= len(namespaces):
        return f"ns={index};{rest}"
    return f"nsu={namespaces[index].replace('%', '%25').replace(';', '%3B')};{rest}"
