"""Read-only, shown at the wire: a recording proxy sees no service that changes anything in the server."""

import contextlib

import pytest
import pytest_asyncio
from asyncua import Client, ua

from metrepost.endpoints.opcua import OpcUaRunner
from support_opcua import (
    BRISK,
    NAMESPACE,
    LineTime,
    PlantServer,
    Proxy,
    Sink,
    address,
    endpoint,
    free_port,
    point,
    running,
    service_requests,
)

# numeric node ids of the binary encodings, OPC 10000-6 A.3 (NodeIds.csv); from memory, checked against asyncua below
FORBIDDEN = {
    488: "AddNodes",
    494: "AddReferences",
    500: "DeleteNodes",
    506: "DeleteReferences",
    673: "Write",
    700: "HistoryUpdate",
    712: "Call",
}
ALLOWED = {
    461: "CreateSession",
    467: "ActivateSession",
    473: "CloseSession",
    527: "Browse",
    533: "BrowseNext",
    631: "Read",
    751: "CreateMonitoredItems",
    787: "CreateSubscription",
    826: "Publish",
    832: "Republish",
    841: "TransferSubscriptions",
}


def assert_read_only(proxy):
    """Fail when anything but reading and subscribing went over the wire."""
    seen = proxy.services()
    assert seen, "nothing was recorded"
    written = {FORBIDDEN[number] for number in seen if number in FORBIDDEN}
    assert not written, f"services that change the server: {written}"
    assert set(seen) <= set(ALLOWED), f"unexpected services {set(seen) - set(ALLOWED)}"


@pytest.mark.parametrize(("number", "name"), [*FORBIDDEN.items(), *ALLOWED.items()])
def test_the_numbers_are_those_of_the_standard(number, name):
    assert getattr(ua.ObjectIds, f"{name}Request_Encoding_DefaultBinary") == number


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def server():
    async with PlantServer(free_port()) as running_server:
        await running_server.add("Temperature", 60.0)
        yield running_server


@pytest.mark.parametrize(("mode", "expected"), [("subscribe", {461, 473, 631, 751, 787, 826, 841}), ("poll", {461, 473, 631})])
@pytest.mark.asyncio(loop_scope="module")
async def test_only_reading_and_subscribing_goes_over_the_wire_and_one_write_is_caught(server, mode, expected):
    sink = Sink()
    async with Proxy(server.port) as proxy:
        points = point("Temperature", poll=0.05), point("Nowhere", poll=0.05)
        runner = OpcUaRunner(endpoint(proxy.port, *points, mode=mode), sink, LineTime(), BRISK)
        async with running(runner):
            await sink.until(lambda: sink.values("Temperature"))
            await proxy.cut(refuse=False)
            await sink.until(lambda: runner.health.reconnects and len(sink.values("Temperature")) > 1)
            await runner.probe([])
        assert expected <= set(proxy.services()), "the test saw connecting, reading, subscribing and a cut"
        assert_read_only(proxy)

        async with Client(address(proxy.port)) as client:
            node = client.get_node(ua.NodeId("Temperature", await client.get_namespace_index(NAMESPACE)))
            await node.write_value(61.0)
        with pytest.raises(AssertionError, match=r"services that change the server: {'Write'}"):
            assert_read_only(proxy)


@pytest.mark.asyncio(loop_scope="module")
async def test_every_forbidden_service_is_caught_by_the_recorder(server):
    """Each request is sent through the proxy by hand; the server may refuse it, the recorder must see it."""
    requests = {
        "Write": ua.WriteRequest(),
        "Call": ua.CallRequest(),
        "AddNodes": ua.AddNodesRequest(),
        "AddReferences": ua.AddReferencesRequest(),
        "DeleteNodes": ua.DeleteNodesRequest(),
        "DeleteReferences": ua.DeleteReferencesRequest(),
        "HistoryUpdate": ua.HistoryUpdateRequest(),
    }
    assert set(requests) == set(FORBIDDEN.values())
    async with Proxy(server.port) as proxy:
        async with Client(address(proxy.port)) as client:
            for request in requests.values():
                with contextlib.suppress(ua.UaError):  # not supported there, or nothing to do
                    await client.uaclient.session._send_request(request)
        assert set(FORBIDDEN) <= set(proxy.services())


def test_the_decoder_reads_requests_in_several_chunks_and_refuses_what_is_none():
    def chunk(final, request, body):
        head = b"".join(number.to_bytes(4, "little") for number in (1, 1, 1, request))
        return b"MSG" + final + (8 + len(head) + len(body)).to_bytes(4, "little") + head + body

    write = bytes([1, 0]) + (673).to_bytes(2, "little")
    read = bytes([1, 0]) + (631).to_bytes(2, "little")
    stream = chunk(b"C", 7, write + b"part") + chunk(b"F", 7, b"no node id here") + chunk(b"F", 8, read)
    assert service_requests(stream) == [673, 631]
    assert service_requests(stream[:-3]) == [673]
    with pytest.raises(ValueError, match="no OPC UA chunk"):
        service_requests(b"GET / HTTP/1.1\r\n")
