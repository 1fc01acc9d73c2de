"""Certificates of an authority that lives for one test."""

from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID


class Authority:
    """A certificate authority for one test."""

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self.ca = self._write(f"{name}.pem", self._sign(self._name, self._key, ca=True))

    def _sign(self, subject: x509.Name, key: ec.EllipticCurvePrivateKey, *, ca: bool, server: bool = False) -> x509.Certificate:
        now = datetime.now(UTC)
        made = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(hours=1))
            .not_valid_after(now + timedelta(hours=1))
            .add_extension(x509.BasicConstraints(ca=ca, path_length=None), critical=True)
        )
        if not ca:
            made = made.add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
            usage = ExtendedKeyUsageOID.SERVER_AUTH if server else ExtendedKeyUsageOID.CLIENT_AUTH
            made = made.add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
        return made.sign(self._key, hashes.SHA256())

    def _write(self, name: str, certificate: x509.Certificate) -> str:
        file = self._folder / name
        file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        return str(file)

    def issue(self, name: str, *, server: bool = False) -> dict[str, str]:
        """A certificate and its key, as files."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = self._write(f"{name}.pem", self._sign(subject, key, ca=False, server=server))
        file = self._folder / f"{name}.key"
        file.write_bytes(
            key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        )
        return {"certificate": certificate, "key": str(file)}
