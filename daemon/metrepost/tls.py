"""TLS towards a broker, for whoever connects to one."""

import ssl
from typing import Any


class TlsFilesError(ValueError):
    """Certificate, key or authority cannot be used; the sentence names the files."""


class BrokerContext(ssl.SSLContext):
    """Remembers the socket it wrapped: paho leaves it open when the handshake fails."""

    wrapped: ssl.SSLSocket | None = None

    def wrap_socket(self, *args: Any, **kwargs: Any) -> ssl.SSLSocket:
        """See ssl.SSLContext."""
        self.wrapped = super().wrap_socket(*args, **kwargs)
        return self.wrapped


def broker_context(ca: str, certificate: str, key: str) -> BrokerContext:
    """TLS 1.2 or newer; the broker's certificate is checked against `ca` (the system's store when "") and its host name; `certificate`
    and `key`, when given, are shown to it. Reads the files: not for the event loop. Raises TlsFilesError.
    """
    try:
        context = BrokerContext(ssl.PROTOCOL_TLS_CLIENT)  # checks certificate and host name
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if ca:
            context.load_verify_locations(ca)
        else:
            context.load_default_certs()
        if certificate:
            context.load_cert_chain(certificate, key or None)
    except OSError as error:  # ssl.SSLError is one
        files = ", ".join(f"{k} {v}" for k, v in (("ca", ca), ("certificate", certificate), ("key", key)) if v)
        raise TlsFilesError(f"the TLS files of the broker cannot be used ({files}): {error}") from error
    return context
