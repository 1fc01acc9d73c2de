"""An endpoint of devices that publish, with its points, as the protocol room wants it."""

from urllib.parse import urlsplit

from ..endpoints.mqtt_decode import pointer
from ..endpoints.plan import MqttEndpoint, MqttPoint
from ..readings import Tag
from .models.endpoint_tables import MqttInTable
from .pieces import Pieces, WrittenTag
from .secrets import SecretStore

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_LONGEST = 65535  # bytes of a topic: MQTT 5.0, 1.5.4


def mqtt_endpoint(
    pieces: Pieces,
    name: str,
    table: MqttInTable,
    tags: dict[str, Tag],
    secrets: SecretStore,
    written: list[tuple[WrittenTag, tuple[float, float]]],
) -> MqttEndpoint:
    """The endpoint with the points of its tags; `written` are these with scale and offset. Faults are reported to the file."""
    document, path = pieces.document, ("endpoint", name)
    host, port, tls = _address(pieces, path, table.address)
    if table.password is not None and table.user is None:
        document.fault((*path, "password"), "a password without a user; write user as well")
    if (table.key is None) != (table.certificate is None):
        document.fault(path, "certificate and key go together: the daemon's own certificate and its private key")
    if not tls and (table.ca or table.certificate):
        document.fault((*path, "address"), "ca, certificate and key are for TLS; write mqtts:// for it")
    points = []
    taken: dict[tuple[str, str], str] = {}
    for each, (scale, offset) in written:
        point = _point(pieces, each, tags[each.name], scale, offset)
        if point is None:
            continue
        other = taken.setdefault((point.topic, point.pointer), point.tag)
        if other != point.tag:
            each.fault(("pointer",) if each.table.pointer else ("topic",), f"{other} reads the same value already")
        points.append(point)
    return MqttEndpoint(
        name=name,
        host=host,
        port=port,
        points=tuple(points),
        tls=tls,
        version=table.version,
        qos=table.qos,
        client_id=table.client_id or "",
        user=secrets.resolve(table.user, document, (*path, "user")),
        password=secrets.resolve(table.password, document, (*path, "password")),
        ca=secrets.path(table.ca, document, (*path, "ca")),
        certificate=secrets.path(table.certificate, document, (*path, "certificate")),
        key=secrets.path(table.key, document, (*path, "key"), secret=True),
        keepalive=table.keepalive,
        timeout=table.timeout,
        publish=table.publish,
        time_uncertainty=table.time_uncertainty,
    )


def _address(pieces: Pieces, path: tuple[str, ...], address: str) -> tuple[str, int, bool]:
    wrong = "write mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS"
    try:
        parts = urlsplit(address)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.username is not None or parts.password is not None:
        # the address itself is not repeated: it may hold the secret
        pieces.document.fault(
            (*path, "address"), f"a login does not belong in the address; {wrong}, and user and password beside it"
        )
    elif parts.scheme not in _PORTS or not parts.hostname or parts.path not in ("", "/") or parts.query or parts.fragment:
        pieces.document.fault((*path, "address"), f'"{address}" is no broker; {wrong}', ["mqtt", "mqtts"])
    return parts.hostname or "", port or _PORTS.get(parts.scheme, 1883), parts.scheme == "mqtts"


def _point(pieces: Pieces, written: WrittenTag, tag: Tag, scale: float, offset: float) -> MqttPoint | None:
    table = written.table
    if table.topic is None:
        written.fault((), 'the key topic is missing, such as topic = "gauges/cold/diameter"')
        return None
    if set(table.topic) & {"+", "#", "\0"} or len(table.topic.encode()) > _LONGEST:
        written.fault(
            ("topic",), f'"{table.topic}" is no topic of one device: + and # stand for many topics; write each tag its own'
        )
        return None
    good = True
    for key, given in (
        ("pointer", table.pointer),
        ("quality_pointer", table.quality_pointer),
        ("time_pointer", table.time_pointer),
    ):
        try:
            pointer(given or "")
        except ValueError as error:
            written.fault((key,), str(error))
            good = False
    if table.quality_good is not None and table.quality_pointer is None:
        written.fault(("quality_good",), "quality_good needs a quality_pointer: where in the payload the quality stands")
    if not good:
        return None
    return MqttPoint(
        tag=written.name,
        topic=table.topic,
        pointer=table.pointer or "",
        quality_pointer=table.quality_pointer,
        quality_good=table.quality_good,
        time_pointer=table.time_pointer,
        scale=scale,
        offset=offset,
        latency=pieces.stations[written.station].latency,
        valid_low=tag.valid_low,
        valid_high=tag.valid_high,
    )
