"""The broker and the roster, with their secrets resolved."""

from ..notify.plan import CLASSES, PRIORITIES, NotifyPlan, Person
from ..publish.plan import MqttPlan
from ..rules.contract import RuleSettings
from .pieces import Pieces
from .secrets import SecretStore


def resolve_mqtt(pieces: Pieces, secrets: SecretStore) -> MqttPlan | None:
    """The broker; None when [mqtt] is refused."""
    document, table = pieces.document, pieces.mqtt
    if table is None:
        return None
    user = secrets.resolve(table.user, document, ("mqtt", "user"))
    password = secrets.resolve(table.password, document, ("mqtt", "password"))
    ca = secrets.path(table.ca, document, ("mqtt", "ca"))
    certificate = secrets.path(table.certificate, document, ("mqtt", "certificate"))
    key = secrets.path(table.key, document, ("mqtt", "key"), secret=True)
    keepalive = round(table.keepalive)
    if not 1 <= keepalive <= 65535:  # MQTT 5.0, 3.1.2.10: two bytes of seconds
        document.fault(("mqtt", "keepalive"), "keepalive is 1 s to 65535 s")
        keepalive = 30
    if pieces.has("mqtt", "certificate") != pieces.has("mqtt", "key"):
        document.fault(("mqtt",), "certificate and key belong together: the client's certificate and its private key")
    if table.password is not None and not pieces.has("mqtt", "user"):
        document.fault(("mqtt", "password"), "a password without a user")
    if table.url.partition("://")[0] == "mqtt" and (table.ca or table.certificate or table.key):
        document.fault(("mqtt", "url"), "ca, certificate and key are for TLS; write mqtts:// in the url")
    settings = {"user": user, "password": password, "ca": ca, "certificate": certificate, "key": key, "keepalive": keepalive}
    try:
        return MqttPlan.parse(table.url, client_id=table.client_id or "", **settings)
    except ValueError as error:
        # the url itself is not repeated when it may hold a login
        document.fault(
            ("mqtt", "url"), "a login does not belong in the url; write user and password" if "@" in table.url else str(error)
        )
        return None


def resolve_notify(pieces: Pieces, secrets: SecretStore, rules: tuple[tuple[str, RuleSettings], ...]) -> NotifyPlan:
    """The roster; an empty one without [notify]."""
    document, table = pieces.document, pieces.notify
    if table is None:
        return NotifyPlan()
    people: list[Person] = []
    for name, person in table.people.items():
        path = ("notify", "people", name)
        urls: list[str] = []
        for index, secret in enumerate(person.urls):
            before = len(document.faults)
            url = secrets.resolve(secret, document, (*path, "urls", index))
            if len(document.faults) == before and "://" not in url:
                document.fault((*path, "urls", index), "the secret is no URL of a notification channel, such as mailtos://…")
            urls.append(url)
        people.append(
            Person(
                name,
                tuple(urls),
                tuple(dict.fromkeys(person.classes)) if person.classes is not None else CLASSES,
                tuple(dict.fromkeys(person.priorities)) if person.priorities is not None else PRIORITIES,
            )
        )
    stations = {name: settings.tags()[0].partition(".")[0] for name, settings in rules if settings.tags()}
    return NotifyPlan(tuple(people), table.flood, table.window, stations)
