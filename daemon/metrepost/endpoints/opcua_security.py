"""Which security settings of an OPC UA endpoint are supported, and how they are handed to asyncua.

`unsupported` needs no asyncua, so that a line file can be checked without it.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from .plan import OpcUaEndpoint, OpcUaSecurity

POLICIES = ("Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss")
MODES = ("Sign", "SignAndEncrypt")
DEFAULT_PORT = 4840


class OpcUaSettingsError(ValueError):
    """Settings of an OPC UA endpoint that cannot be used; says what to write instead."""


def unsupported(security: OpcUaSecurity) -> str | None:
    """What is wrong with the security settings, or None."""
    if security.policy == "None" and security.mode == "None":
        if security.user or security.password:
            return (
                "user and password need a security policy: with policy None the password would travel in the clear; "
                f"set policy to one of {', '.join(POLICIES)}"
            )
        return None
    if security.policy not in POLICIES:
        return f"security policy {security.policy!r} is not supported; allowed are None and {', '.join(POLICIES)}"
    if security.mode not in MODES:
        return f"security mode {security.mode!r} does not go with policy {security.policy}; allowed are {' and '.join(MODES)}"
    if not (security.certificate and security.key):
        return f"policy {security.policy} needs certificate and key: paths of this daemon's own certificate and private key"
    if not security.trust:
        return f"policy {security.policy} needs trust: the server's certificate or a folder of trusted ones, else any server is believed"
    if security.password and not security.user:
        return "a password without a user"
    return None


def address_of(endpoint: OpcUaEndpoint) -> str:
    """The address with its port. Raises OpcUaSettingsError when it is no OPC UA address."""
    scheme, found, rest = endpoint.address.partition("://")
    host, slash, path = rest.partition("/")
    if scheme != "opc.tcp" or not found or not host or "@" in host:
        raise OpcUaSettingsError(
            f"endpoint {endpoint.name}: {endpoint.address!r} is no address of an OPC UA server; "
            "write opc.tcp://HOST:PORT/PATH, without user and password"
        )
    if ":" not in host.rpartition("]")[2]:
        host = f"{host}:{DEFAULT_PORT}"
    if not host.rpartition(":")[2].isdigit():
        raise OpcUaSettingsError(f"endpoint {endpoint.name}: the port in {endpoint.address!r} is no number")
    return f"opc.tcp://{host}{slash}{path}"


def check(endpoint: OpcUaEndpoint) -> None:
    """Raise OpcUaSettingsError for settings that cannot be used."""
    address_of(endpoint)
    wrong = unsupported(endpoint.security)
    if wrong is not None:
        raise OpcUaSettingsError(f"endpoint {endpoint.name}: {wrong}")
    if endpoint.publish <= 0 or endpoint.timeout <= 0 or endpoint.sampling < 0:
        raise OpcUaSettingsError(f"endpoint {endpoint.name}: publish and timeout must be above 0, sampling 0 or more")


async def apply(security: OpcUaSecurity, client: Any) -> str:
    """Set up an asyncua client before it connects; returns a warning of certificates that end soon ("" when none does).

    Raises UntrustedError, and whatever asyncua raises for files it cannot read.
    """
    if security.policy == "None":
        return ""
    from asyncua import Client, ua
    from asyncua.crypto import security_policies, uacrypto
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding

    from . import opcua_trust

    certificate = await uacrypto.load_certificate(security.certificate)
    now = datetime.now(UTC)
    trust = Path(security.trust)
    mode = getattr(ua.MessageSecurityMode, security.mode)
    if trust.is_dir():  # noqa: ASYNC240 - a few small local files, once for each connection
        # asked without security: the certificate is looked up in the folder, and the channel proves that the server has its key
        policy = getattr(security_policies, f"SecurityPolicy{security.policy}")
        described = await Client(
            client.server_url.geturl(), timeout=client.uaclient._timeout
        ).connect_and_get_server_endpoints()
        offered = [each for each in described if each.SecurityPolicyUri == policy.URI and each.SecurityMode == mode]
        if not offered:
            raise opcua_trust.UntrustedError(
                f"the server offers no endpoint with policy {security.policy} and mode {security.mode}"
            )
        server = opcua_trust.trusted(offered[0].ServerCertificate, trust, client.server_url.netloc)
    else:
        server = await uacrypto.load_certificate(security.trust)
    warnings = [opcua_trust.expiry(certificate, "the daemon's own", now), opcua_trust.expiry(server, "the server's", now)]
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    uris = names.get_values_for_type(x509.UniformResourceIdentifier)
    if uris:  # servers compare it with the certificate
        client.application_uri = uris[0]
    if security.user:
        client.set_user(security.user)
        client.set_password(security.password)
    await client.set_security(
        getattr(security_policies, f"SecurityPolicy{security.policy}"),
        certificate=security.certificate,
        private_key=security.key,
        server_certificate=uacrypto.CertProperties(server.public_bytes(Encoding.DER), "der"),
        mode=mode,
    )
    return "; ".join(filter(None, warnings))
