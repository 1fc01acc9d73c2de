"""One connection to an OPC UA server: socket, secure channel, session. The fence round asyncua's client.

asyncua's own supervisor, watchdogs, publish loop and reconnect are not used: they run as tasks of their own, trust the client's
state, and lose values without a word (see README). A connection here is made, used by one task and thrown away whole. Only the
session's identity may pass on to a new connection, so that the server keeps what was published meanwhile.

Only services that read are called: Read, Browse, BrowseNext, CreateSubscription, CreateMonitoredItems, Publish, Republish,
TransferSubscriptions, and those that open and close the connection. A test reads the wire and says so.
"""

import asyncio
import contextlib
import logging
import time
from collections.abc import Iterator, Sequence
from typing import Any

from asyncua import Client, ua

from . import opcua_security
from .plan import OpcUaEndpoint

NAMESPACE_ARRAY = ua.NodeId(ua.ObjectIds.Server_NamespaceArray)
CURRENT_TIME = ua.NodeId(ua.ObjectIds.Server_ServerStatus_CurrentTime)
_GOODBYE = 0.5
"""Longest time spent on taking leave of a server, seconds."""
_SESSION = 2.0
"""A session outlives the longest outage to be bridged, or the slowest poll, by this factor."""

if logging.getLogger("asyncua").level == logging.NOTSET:
    # below WARNING asyncua formats every message it gets, at a cost the hot path cannot bear
    logging.getLogger("asyncua").setLevel(logging.WARNING)


class EndpointError(Exception):
    """Theirs, not ours: try again later."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class LinkLostError(EndpointError):
    """The connection does not work, or never did. Whether the session lives on is not known."""


class RefusedError(EndpointError):
    """The server answered, and said no. `status` is the standard's name of its reason."""

    def __init__(self, reason: str, status: str) -> None:
        super().__init__(reason)
        self.status = status


_TRANSPORT_STATUSES = frozenset({"BadConnectionClosed", "BadSecureChannelClosed", "BadCommunicationError", "BadTimeout"})


@contextlib.contextmanager
def field_errors(doing: str) -> Iterator[None]:
    """Map what asyncua raises to LinkLostError or RefusedError. Cancellation passes untouched."""
    try:
        yield
    except EndpointError:
        raise
    except ua.UaStatusCodeError as error:
        status = ua.StatusCode(error.code).name
        if status in _TRANSPORT_STATUSES:
            raise LinkLostError(f"{status} while {doing}") from error
        raise RefusedError(f"{status} while {doing}", status) from error
    except TimeoutError as error:
        raise LinkLostError(f"no answer while {doing}") from error
    except Exception as error:  # asyncua raises bare Exceptions, struct errors and more for what a broken server sends
        text = str(error) or type(error).__name__
        raise LinkLostError(f"{text} while {doing}") from error


class Link:
    """One connection with an activated session. Made by `open`; end it with `close` or `drop`."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._session = client.uaclient.session
        self._renew_at = 0.0
        self._dropped = False
        self.warning = ""
        """Of certificates that end soon."""

    @classmethod
    async def open(cls, endpoint: OpcUaEndpoint, bridge: float, channel: float, heir_of: "Link | None" = None) -> "Link":
        """Connect. With `heir_of`, take over the session of a lost connection instead of making one.

        Raises LinkLostError when there is no connection, RefusedError when the server does not want us (or no longer knows the session).
        """
        client = Client(opcua_security.address_of(endpoint), timeout=endpoint.timeout)
        client.name = client.description = "metrepost"
        client.application_uri = "urn:metrepost:client"
        client.secure_channel_timeout = int(channel * 1000)
        slowest = max((point.poll for point in endpoint.points), default=0.0) if endpoint.mode == "poll" else bridge
        client.session_timeout = int(max(slowest, endpoint.timeout) * _SESSION * 1000)
        link = cls(client)
        # the subscription publishes by itself, in one task that somebody owns
        link._session.ensure_publish_loop = lambda: None
        try:
            with field_errors("connecting"):
                link.warning = await opcua_security.apply(endpoint.security, client)
                await client.connect_socket()
                await client.send_hello()
                await client.open_secure_channel()
                link._plan_renewal()
                if heir_of is None:
                    await client.create_session()
                else:
                    link._inherit(heir_of)
                await client.activate_session(endpoint.security.user or None, endpoint.security.password or None)
        except BaseException:
            link.drop()
            raise
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            # asyncio.wait_for of Python 3.11 may eat a cancellation that comes just as the socket connects
            link.drop()
            raise asyncio.CancelledError
        return link

    def _inherit(self, old: "Link") -> None:
        # asyncua can only resume a session on the client that made it, or from a file; a client whose transport failed
        # is not to be trusted (its issue 1660), and a file would put the token on the disk
        self._session.restore_authentication_token(old._session.authentication_token)
        self._client._server_nonce = old._client._server_nonce
        self._client._policy_ids = old._client._policy_ids

    def _plan_renewal(self) -> None:
        self._renew_at = time.monotonic() + 0.75 * self._client.secure_channel_timeout / 1000  # OPC 10000-4, 5.5.2.1

    async def keep_channel(self) -> None:
        """Renew the secure channel when three quarters of its lifetime are over. Cheap otherwise."""
        if time.monotonic() < self._renew_at:
            return
        with field_errors("renewing the secure channel"):
            await self._client.open_secure_channel(renew=True)
            self._client.uaclient.revolve_security_token()
        # a server goes over to the new token when it sees us use it; until then the answer to a waiting Publish would come under
        # the old one, which asyncua refuses once it has expired by the server's (perhaps wrong) clock
        await self.read([CURRENT_TIME])
        self._plan_renewal()

    async def read(self, nodes: Sequence[Any], attribute: ua.AttributeIds = ua.AttributeIds.Value) -> list[Any]:
        """One attribute of each node as DataValues, in order, in one request."""
        with field_errors("reading"):
            answers = list(await self._session.read_attributes(list(nodes), attribute))
        if len(answers) != len(nodes):
            raise LinkLostError(f"{len(answers)} answers for {len(nodes)} nodes while reading")
        return answers

    async def namespaces(self) -> list[str]:
        """The server's NamespaceArray."""
        (answer,) = await self.read([NAMESPACE_ARRAY])
        value = answer.Value.Value if answer.Value is not None else None
        return [str(uri) for uri in value] if isinstance(value, list) else []

    async def browse(self, node: Any) -> list[Any]:
        """References to the nodes below: every hierarchical reference, forward."""
        wanted = ua.BrowseDescription(
            NodeId=node,
            BrowseDirection=ua.BrowseDirection.Forward,
            ReferenceTypeId=ua.NodeId(ua.ObjectIds.HierarchicalReferences),
            IncludeSubtypes=True,
            NodeClassMask=0,
            ResultMask=ua.BrowseResultMask.BrowseName | ua.BrowseResultMask.NodeClass,
        )
        with field_errors("browsing"):
            (result,) = await self._session.browse(ua.BrowseParameters(NodesToBrowse=[wanted]))
            found = list(result.References or [])
            while result.ContinuationPoint:
                more = ua.BrowseNextParameters(ReleaseContinuationPoints=False, ContinuationPoints=[result.ContinuationPoint])
                (result,) = await self._session.browse_next(more)
                found += result.References or []
            result.StatusCode.check()
        return found

    async def create_subscription(self, parameters: Any) -> Any:
        """What the server granted (CreateSubscriptionResult)."""
        with field_errors("making a subscription"):
            return await self._session.create_subscription(parameters, lambda _: None)

    async def create_monitored_items(self, parameters: Any) -> list[Any]:
        """One MonitoredItemCreateResult a node, in order."""
        with field_errors("subscribing"):
            answers = list(await self._session.create_monitored_items(parameters))
        if len(answers) != len(parameters.ItemsToCreate):
            raise LinkLostError(f"{len(answers)} answers for {len(parameters.ItemsToCreate)} nodes while subscribing")
        return answers

    async def transfer(self, subscription: int) -> list[int]:
        """Draw an old subscription to this connection; the sequence numbers the server still holds. Raises RefusedError if it is gone."""
        parameters = ua.TransferSubscriptionsParameters(SubscriptionIds=[subscription], SendInitialValues=False)
        with field_errors("transferring the subscription"):
            results = await self._session.transfer_subscriptions(parameters)
            if not results:
                raise RefusedError("no result while transferring the subscription", "BadSubscriptionIdInvalid")
            results[0].StatusCode.check()
        return [int(number) for number in results[0].AvailableSequenceNumbers or []]

    async def publish(self, acknowledged: list[Any]) -> Any:
        """Wait for the next message of any subscription (PublishResponse)."""
        with field_errors("waiting for values"):
            response = await self._session.publish(acknowledged)
            response.ResponseHeader.ServiceResult.check()
            return response

    async def republish(self, subscription: int, sequence: int) -> Any | None:
        """A message that was missed, or None when the server has it no more."""
        try:
            with field_errors("asking for a missed message"):
                message = await self._session.republish(subscription, sequence)
        except RefusedError as refused:
            if refused.status == "BadMessageNotAvailable":
                return None
            raise
        # asyncua's server answers an unknown number with an empty message instead of BadMessageNotAvailable
        return message if message.NotificationData else None

    async def close(self) -> None:
        """Take leave of the server, so that it keeps nothing for us; never longer than half a second."""
        if self._dropped:
            return
        try:
            async with asyncio.timeout(_GOODBYE):
                with field_errors("closing"):
                    await self._client.uaclient.close_session(True)
                    await self._client.uaclient.close_secure_channel()
        except (EndpointError, TimeoutError):
            pass  # we are leaving; what the server still holds expires by itself
        finally:
            self.drop()
            await asyncio.sleep(0)  # lets the transport tell its protocol

    def drop(self) -> None:
        """Cut the connection at once, with nothing left to wait for."""
        self._dropped = True
        protocol = self._client.uaclient.protocol
        if protocol is not None and protocol.transport is not None:
            protocol.transport.abort()
