"""Whether a server's certificate is trusted, and how long certificates still hold.

`trust` is the server's own certificate, or a folder of the certificates that are trusted (files .der, .cer, .crt, .pem). There are
no authorities: a certificate is trusted when it lies there, byte for byte.
"""

from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding

SOON = timedelta(days=30)
"""A certificate that ends within this is warned of."""
ENDINGS = (".der", ".cer", ".crt", ".pem")


class UntrustedError(ValueError):
    """The certificate cannot be used; says what to do."""


def load(data: bytes) -> x509.Certificate:
    """A certificate as DER or PEM. Raises ValueError."""
    return x509.load_pem_x509_certificate(data) if b"-----BEGIN" in data else x509.load_der_x509_certificate(data)


def fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256, in pairs of hex digits as servers show it."""
    return certificate.fingerprint(SHA256()).hex(":").upper()


def trusted(server: bytes, folder: Path, address: str) -> x509.Certificate:
    """The server's certificate (DER) when it lies in the folder. Raises UntrustedError, with which file to put where."""
    found = load(server)
    for file in sorted(folder.iterdir()):
        if file.suffix.lower() not in ENDINGS or not file.is_file():
            continue
        try:
            if load(file.read_bytes()).public_bytes(Encoding.DER) == server:
                return found
        except ValueError:
            continue  # some other file
    raise UntrustedError(
        f"the certificate of the server at {address} is not trusted ({found.subject.rfc4514_string()}, SHA-256 {fingerprint(found)}); "
        f"compare this fingerprint with the one the server shows, then put its certificate, as .der or .pem, into {folder}"
    )


def expiry(certificate: x509.Certificate, whose: str, now: datetime) -> str:
    """A warning when the certificate ends soon, else "". Raises UntrustedError when it does not hold now."""
    first, last = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    if now > last:
        raise UntrustedError(f"{whose} certificate expired on {last:%Y-%m-%d}; make a new one and put it in its place")
    if now < first:
        raise UntrustedError(f"{whose} certificate holds only from {first:%Y-%m-%d %H:%M} UTC on; are the clocks right?")
    return f"{whose} certificate expires on {last:%Y-%m-%d}, in {(last - now).days} days" if last - now < SOON else ""
