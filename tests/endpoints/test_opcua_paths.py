"""Nodes by path, against a real server that is browsed."""

import pytest

from metrepost.configuration.points import wrong_path
from metrepost.endpoints.opcua import OpcUaRunner
from metrepost.endpoints.opcua_nodes import NodeError
from metrepost.endpoints.opcua_paths import steps
from metrepost.endpoints.plan import OpcUaPoint
from support_opcua import BRISK, NAMESPACE, LineTime, PlantServer, Proxy, Sink, endpoint, free_port, running

OTHER = "http://northmere.example/UA/"


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("Objects/Trough/Temperature", [("", "Objects"), ("", "Trough"), ("", "Temperature")]),
        (f"Objects/nsu={OTHER};Trough/x", [("", "Objects"), (OTHER, "Trough"), ("", "x")]),
        ("Objects/A&/B/C&&D", [("", "Objects"), ("", "A/B"), ("", "C&D")]),
    ],
)
def test_steps(path, expected):
    assert steps(path) == expected
    assert wrong_path(path) == ""


@pytest.mark.parametrize("path", ["", "Objects", "Trough/x", "/Objects/x", "Objects//x", "Objects/x/", "Objects/nsu=a/x"])
def test_what_is_no_path_is_refused_in_the_file_and_here(path):
    with pytest.raises(NodeError, match="no path; write Objects/NAME/NAME"):
        steps(path)
    assert "write Objects/NAME/NAME" in wrong_path(path)


@pytest.mark.parametrize("mode", ["subscribe", "poll"])
async def test_values_by_path_and_what_is_said_of_wrong_ones(mode):
    async with PlantServer(free_port(), [OTHER, NAMESPACE]) as server:
        objects, index = server._server.nodes.objects, server.index
        other = await server._server.get_namespace_index(OTHER)
        trough = await objects.add_object(index, "Trough")
        await trough.add_variable(index, "Temperature", 60.0)
        await trough.add_variable(index, "Level", 1.0)
        await trough.add_variable(other, "Level", 2.0)
        paths = {
            "right": "Objects/Trough/Temperature",
            "named": f"Objects/nsu={NAMESPACE};Trough/nsu={OTHER};Level",
            "twice": "Objects/Trough/Level",
            "absent": "Objects/Trough/Temperatur",
        }
        points = [OpcUaPoint(f"s.{tag}", "", path, poll=0.05) for tag, path in paths.items()]
        async with Proxy(server.port) as proxy:
            sink = Sink()
            runner = OpcUaRunner(endpoint(proxy.port, *points, mode=mode), sink, LineTime(), BRISK)
            async with running(runner):
                await sink.until(lambda: sink.values("right") and sink.values("named") and sink.readings("absent"))
            assert (sink.values("right")[0], sink.values("named")[0]) == (60.0, 2.0)
            assert sink.readings("twice")[0].reason == "Objects/Trough has 2 nodes named Level; write nsu=URI; before the name"
            assert sink.readings("absent")[0].reason == "Objects/Trough has no Temperatur; it has Level, Temperature"
            probed = {one.tag: one for one in await runner.probe([])}
            assert (probed["s.right"].value, probed["s.right"].detail["node"]) == (60.0, paths["right"])
            assert 527 in proxy.services()
