"""`metrepost probe --browse` against a real OPC UA server: the lines can be pasted, and lead back to the nodes they came from."""

import asyncio
import csv
import io
import json
import tomllib

import pytest
from asyncua import ua

from metrepost.commands import exits
from metrepost.commands.probe_browse import as_toml
from metrepost.configuration.shipped import shipped_config
from metrepost.endpoints.opcua_browse import browse
from metrepost.endpoints.opcua_link import Link, RefusedError
from metrepost.endpoints.opcua_nodes import resolve, written
from metrepost.endpoints.opcua_paths import steps, written_step
from support_daemon import command
from support_modbus import Script
from support_opcua import NAMESPACE, PlantServer, Proxy, endpoint, free_port

OTHER = "urn:northmere:other;50%"
READ_ONLY = {461, 467, 473, 527, 533, 631}  # CreateSession, ActivateSession, CloseSession, Browse, BrowseNext, Read


def line(folder, port):
    text = (shipped_config() / "core-3.toml").read_text().replace("127.0.0.1:4840", f"127.0.0.1:{port}")
    for part in ("products", "rules"):
        if (shipped_config() / part).is_dir():
            (folder / part).symlink_to(shipped_config() / part)
    (folder / "core-3.toml").write_text(text)
    return folder / "core-3.toml"


async def furnished(server):
    """A trough with a number, a text, an array, and one name in two namespaces; and a way back."""
    index = server.index
    other = await server._server.get_namespace_index(OTHER)
    trough = await server._server.nodes.objects.add_object(index, "Trough")
    await trough.add_variable(ua.NodeId("Trough.Temperature", index), f"{index}:WaterTemperature", 60.5)
    await trough.add_variable(ua.NodeId("Trough.Level", index), f"{index}:Level", 7, ua.VariantType.Int32)
    level = await trough.add_variable(ua.NodeId("L", other), f"{other}:Level", True)
    await level.set_writable()
    await trough.add_variable(index, "Name/1", "trough\nno. 1")
    await trough.add_variable(index, "Zones", [1.0, 2.0])
    await trough.add_reference(server._server.nodes.objects, ua.ObjectIds.HasComponent)


async def test_everything_below_a_path_with_only_reads_on_the_wire():
    async with PlantServer(free_port(), [OTHER, NAMESPACE]) as server:
        await furnished(server)
        async with Proxy(server.port) as proxy:
            browsed = await browse(endpoint(proxy.port, timeout=5.0), "Objects/Trough")
            everything = (await browse(endpoint(proxy.port, timeout=5.0))).variables
            few = await browse(endpoint(proxy.port, timeout=5.0), limit=2)
            services = set(proxy.services())
    found = browsed.variables
    by_path = {v.path: v for v in found}
    water = by_path["Objects/Trough/WaterTemperature"]
    assert (water.node, water.type, water.value, water.access, water.number) == (
        f"nsu={NAMESPACE};s=Trough.Temperature", "Double", "60.5", "read", True,
    )  # fmt: skip
    level = by_path["Objects/Trough/nsu=urn:northmere:other%3B50%25;Level"]
    assert (level.node, level.type, level.access) == ("nsu=urn:northmere:other%3B50%25;s=L", "Boolean", "read, write")
    assert by_path[f"Objects/Trough/nsu={NAMESPACE};Level"].type == "Int32"
    assert not by_path["Objects/Trough/Name&/1"].number
    assert (by_path["Objects/Trough/Zones"].type, by_path["Objects/Trough/Zones"].number) == ("Double[]", False)
    assert (browsed.more, browsed.refused) == (False, [])
    assert {v.path for v in found} <= {v.path for v in everything}
    assert not any(v.path.startswith("Objects/Server/") for v in everything)
    assert (len(few.variables), few.more) == (2, True)
    assert 631 in services
    assert services <= READ_ONLY


async def test_the_lines_can_be_pasted_and_other_forms_hold_the_same(tmp_path):
    async with PlantServer(free_port(), [OTHER, NAMESPACE]) as server:
        await furnished(server)
        arguments = ("probe", line(tmp_path, server.port), "--endpoint", "plc", "--browse")
        toml, listed, rows, absent = await asyncio.gather(
            *(
                asyncio.to_thread(command, *arguments, *more)
                for more in (["Objects/Trough"], ["Objects/Trough", "--json"], ["--csv"], ["Objects/Through"])
            )
        )
    assert toml.returncode == 0, toml.stderr
    tags = tomllib.loads(toml.stdout)
    assert tags["water_temperature"] == {"endpoint": "plc", "node": f"nsu={NAMESPACE};s=Trough.Temperature", "unit": ""}
    assert set(tags) == {"water_temperature", "level", "level_2"}
    assert "# Objects/Trough/WaterTemperature: Double, 60.5, read" in toml.stdout
    assert "# no number: Objects/Trough/Zones: Double[]" in toml.stdout
    found = json.loads(listed.stdout)
    assert {v["node"] for v in found if v["number"]} == {tag["node"] for tag in tags.values()}
    assert {v["path"] for v in found} <= {row["path"] for row in csv.DictReader(io.StringIO(rows.stdout))}
    assert absent.returncode == exits.USAGE
    assert "Objects has no Through" in absent.stderr
    assert "Traceback" not in absent.stderr


async def test_what_the_server_refuses_to_show_is_named_and_the_rest_is_shown(monkeypatch):
    of_the_link = Link.browse

    async def refusing(self, node):
        if node.Identifier == "Locked":
            raise RefusedError("BadUserAccessDenied while browsing", "BadUserAccessDenied")
        return await of_the_link(self, node)

    monkeypatch.setattr(Link, "browse", refusing)
    async with PlantServer(free_port()) as server:
        await server._server.nodes.objects.add_object(ua.NodeId("Locked", server.index), f"{server.index}:Locked")
        await server.add("Open", 1.0)
        browsed = await browse(endpoint(server.port, timeout=5.0))
    assert browsed.refused == ["Objects/Locked: BadUserAccessDenied while browsing"]
    assert "Objects/Open" in {v.path for v in browsed.variables}


async def test_a_server_that_hangs_up_is_a_sentence(tmp_path):
    async with Script(lambda request, number: None) as server:
        result = await asyncio.to_thread(command, "probe", line(tmp_path, server.port), "--endpoint", "plc", "--browse")
    assert result.returncode == exits.UNREACHABLE
    assert f":{server.port}" in result.stderr
    assert "Traceback" not in result.stderr


def test_an_absent_server_is_a_sentence(tmp_path):
    result = command("probe", line(tmp_path, free_port()), "--endpoint", "plc", "--browse", folder=tmp_path)
    assert result.returncode == exits.UNREACHABLE
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize("node", [ua.NodeId(85), ua.NodeId("a;b", 1), ua.NodeId(7, 2), ua.NodeId(b"\x01\xff", 2)])
def test_node_ids_lead_back(node):
    namespaces = ["http://opcfoundation.org/UA/", OTHER, NAMESPACE]
    assert resolve(written(node, namespaces), namespaces) == node


@pytest.mark.parametrize(("name", "uri"), [("Level", ""), ("A/B&C", OTHER), ("nsu=x;y", ""), ("nsu=x;y", NAMESPACE)])
def test_steps_lead_back(name, uri):
    assert steps(f"Objects/{written_step(name, uri)}") == [("", "Objects"), (uri, name)]


def test_odd_names_and_quotes_stay_toml():
    listed = [('nsu=u;s="a"\\\x7f', "Objects/9 \n", "Double, 1, read", True), ("i=1", "Objects/9 ", "x", True)]
    tags = tomllib.loads(as_toml("plc", listed))
    assert {key: tag["node"] for key, tag in tags.items()} == {"n9": 'nsu=u;s="a"\\\x7f', "n9_2": "i=1"}
