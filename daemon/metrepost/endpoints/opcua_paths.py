"""Nodes by the names on the way to them: ``Objects/Trough/Temperature``, found by browsing at every connect.

A name may carry its namespace, ``Objects/nsu=urn:northmere:core-3;Trough/Temperature``; without one it is any namespace's, as long as
only one fits. ``&`` before a character takes it as it is, as in relative paths of OPC 10000-4, A.2: ``A&/B`` is one name.
"""

import re
from collections.abc import Sequence
from typing import Any, Protocol

from asyncua import ua

from .opcua_nodes import NodeError, resolve, unescape
from .plan import OpcUaPoint

_STEP = re.compile(r"(?:nsu=(?P<uri>[^;]+);|(?!nsu=))(?P<name>(?:&.|[^/&])+)(?:/|$)", re.DOTALL)
_SHOWN = 12


class Browser(Protocol):
    """What the search needs of a connection."""

    async def browse(self, node: Any) -> list[Any]:
        """References to the nodes below."""


def steps(path: str) -> list[tuple[str, str]]:
    """Namespace URI ("" for any) and name of each step. Raises NodeError."""
    found, at = [], 0
    while at < len(path):
        match = _STEP.match(path, at)
        if match is None:
            break
        found.append((unescape(match["uri"] or ""), re.sub(r"&(.)", r"\1", match["name"])))
        at = match.end()
    if at < len(path) or len(found) < 2 or path.endswith("/") or found[0] != ("", "Objects"):
        raise NodeError(
            f'"{path}" is no path; write Objects/NAME/NAME, with nsu=URI; before a name where two namespaces have it'
        )
    return found


def written_step(name: str, uri: str = "") -> str:
    """One step of a path as `steps` takes it apart; with `uri` for a name that several namespaces have."""
    escaped = re.sub(r"([&/])", r"&\1", name)
    if escaped.startswith("nsu="):
        escaped = "&" + escaped
    return f"nsu={uri.replace('%', '%25').replace(';', '%3B')};{escaped}" if uri else escaped


class Paths:
    """Finds the nodes of points over one connection; what was browsed once is not asked for again."""

    def __init__(self, browser: Browser, namespaces: Sequence[str]) -> None:
        self._browser, self._namespaces = browser, namespaces
        self._below: dict[Any, list[Any]] = {}

    async def node_of(self, point: OpcUaPoint) -> Any:
        """The server's node id. Raises NodeError, and the connection's own errors."""
        if not point.path:
            return resolve(point.node, self._namespaces)
        node, walked = ua.NodeId(ua.ObjectIds.ObjectsFolder), "Objects"
        for uri, name in steps(point.path)[1:]:
            if node not in self._below:
                self._below[node] = await self._browser.browse(node)
            below = self._below[node]
            fits = {each.NodeId: each for each in below if each.BrowseName.Name == name and self._in(each, uri)}
            if len(fits) != 1:
                raise NodeError(self._why(walked, uri, name, below, len(fits)))
            (node,) = fits
            if getattr(node, "ServerIndex", 0):
                raise NodeError(f"{walked}/{name} is on another server")
            node = ua.NodeId(node.Identifier, node.NamespaceIndex, node.NodeIdType)
            walked += f"/{name}"
        return node

    def _in(self, reference: Any, uri: str) -> bool:
        index = int(reference.BrowseName.NamespaceIndex)
        return not uri or (index < len(self._namespaces) and self._namespaces[index] == uri)

    def _why(self, walked: str, uri: str, name: str, below: list[Any], count: int) -> str:
        if count:
            return f"{walked} has {count} nodes named {name}; write nsu=URI; before the name"
        names = sorted({str(each.BrowseName.Name) for each in below})
        rest = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        wanted = f"{name} of namespace {uri}" if uri else name
        return f"{walked} has no {wanted}; it has {', '.join(names[:_SHOWN]) or 'nothing'}{rest}"
